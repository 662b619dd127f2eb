"""Stories turned into rows of the record: plain values by field name, with primary keys of their own."""

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import fields
from functools import cache
from itertools import count
from operator import attrgetter
from typing import Any, NamedTuple, get_type_hints

from django.db.models import Max

from registry.demo.bulk import Row, Table
from registry.demo.people import Staff
from registry.demo.story import IdentityStory, KneeStory, Part, PatientStory, ProcedureStory, TearStory
from registry.models import (
    Complication,
    Contact,
    EndOfFollowUp,
    Identity,
    Imaging,
    ImagingFinding,
    IndexProcedure,
    Knee,
    Patient,
    Reoperation,
    ReoperationOnTear,
    Repair,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    Tear,
    Visit,
)


class EventTable(NamedTuple):
    """Where a knee's events of one kind go, and where what they say of single tears."""

    events: str
    table: Table
    findings: str = ""
    finding_table: Table | None = None
    link: str = ""


EVENT_TABLES = (
    EventTable("visits", Visit),
    EventTable("imaging", Imaging, "findings", ImagingFinding, "imaging_id"),
    EventTable("looks", SecondLook, "findings", SecondLookFinding, "look_id"),
    EventTable("reoperations", Reoperation, "on_tears", ReoperationOnTear, "reoperation_id"),
    EventTable("complications", Complication),
    EventTable("contacts", Contact),
    EventTable("scores", ScoreResponse),
)
# Each table after those it refers to.
TABLES: tuple[Table, ...] = (
    Patient,
    Identity,
    EndOfFollowUp,
    Knee,
    IndexProcedure,
    Tear,
    Repair,
    *(each.table for each in EVENT_TABLES),
    *(each.finding_table for each in EVENT_TABLES if each.finding_table),
)


class Rows:
    """Rows told so far, by table; their keys start after those in use."""

    def __init__(self, staff: Staff) -> None:
        self._staff = staff
        self._keys = {table: count(_highest_key(table) + 1) for table in TABLES}
        self._rows: dict[Table, list[Row]] = defaultdict(list)

    def take(self) -> dict[Table, list[Row]]:
        """The rows told since the last call, in an order in which they can be saved."""
        taken = {table: self._rows[table] for table in TABLES if table in self._rows}
        self._rows = defaultdict(list)
        return taken

    def tell(self, story: PatientStory) -> None:
        """Add all rows of one patient."""
        unit = self._staff.units[story.unit]
        patient = self._add(Patient, **columns(Patient, story), unit_id=unit.pk)
        self._identity(story.identity, Patient(pk=patient, unit=unit))
        if story.end_of_follow_up:
            self._add(EndOfFollowUp, **columns(EndOfFollowUp, story.end_of_follow_up), patient_id=patient)
        for knee in story.knees:
            self._knee(knee, patient)

    def _identity(self, story: IdentityStory, patient: Patient) -> None:
        plain = {name: getattr(story, name) for name in Identity.FIELDS}
        sealed = Identity.sealed(patient, **plain)
        self._add(
            Identity,
            **{field.attname: getattr(sealed, field.attname) for field in Identity._meta.concrete_fields},
        )

    def _knee(self, story: KneeStory, patient: int) -> None:
        knee = self._add(Knee, **columns(Knee, story), patient_id=patient)
        tears: dict[int, int] = {}
        for procedure in story.procedures:
            self._procedure(procedure, knee, tears)
        for kind in EVENT_TABLES:
            for event in getattr(story, kind.events):
                self._event(kind, event, knee, tears)

    def _procedure(self, story: ProcedureStory, knee: int, tears: dict[int, int]) -> None:
        """The operation and its tears, whose keys are noted in `tears` by their number."""
        procedure = self._add(
            IndexProcedure,
            **columns(IndexProcedure, story),
            knee_id=knee,
            unit_id=self._staff.units[story.unit].pk,
            lead_surgeon_id=self._surgeon(story.team.lead_surgeon),
            first_assistant_id=self._surgeon(story.team.first_assistant),
            repaired_by_id=self._surgeon(story.team.repaired_by),
        )
        for tear in story.tears:
            tears[tear.number] = self._tear(tear, procedure, tears)

    def _tear(self, story: TearStory, procedure: int, tears: dict[int, int]) -> int:
        revises = None if story.revises is None else tears[story.revises]
        tear = self._add(Tear, **columns(Tear, story), procedure_id=procedure, revises_id=revises)
        if story.repair:
            self._add(Repair, **columns(Repair, story.repair), tear_id=tear)
        return tear

    def _event(self, kind: EventTable, story: Any, knee: int, tears: dict[int, int]) -> None:
        event = self._add(kind.table, **columns(kind.table, story), knee_id=knee)
        if kind.finding_table:
            for finding in getattr(story, kind.findings):
                links = {kind.link: event, "tear_id": tears[finding.tear]}
                self._add(kind.finding_table, **columns(kind.finding_table, finding), **links)

    def _surgeon(self, code: str | None) -> int | None:
        return None if code is None else self._staff.surgeons[code].pk

    def _add(self, table: Table, **values: Any) -> int:
        """Keep a row under the table's next key, and give the key back."""
        key = next(self._keys[table])
        self._rows[table].append(values | {"id": key})
        return key


def columns(table: Table, story: Any) -> dict[str, Any]:
    """What a story says of a table's own columns; links to other tables are not among them."""
    names, values = _reader(table, story.__class__)
    return dict(zip(names, values(story), strict=True))


@cache
def _reader(table: Table, kind: Any) -> tuple[list[str], Callable[[Any], tuple[Any, ...]]]:
    """Names of the columns that a kind of story fills, and what reads their values from one."""
    known = {field.name for field in table._meta.concrete_fields if not field.is_relation}
    paths = {path.rpartition(".")[2]: path for path in _paths(kind)}
    names = [name for name in paths if name in known]
    return names, attrgetter(*(paths[name] for name in names))


def _paths(kind: Any) -> Iterator[str]:
    """Fields of a story, and of its parts as "part.field"."""
    hints = get_type_hints(kind)
    for field in fields(kind):
        part = hints[field.name]
        if isinstance(part, type) and issubclass(part, Part):
            yield from (f"{field.name}.{path}" for path in _paths(part))
        else:
            yield field.name


def _highest_key(table: Table) -> int:
    highest: int | None = table._default_manager.aggregate(highest=Max("pk"))["highest"]
    return highest or 0
