"""Stories turned into rows of the record: plain values by field name, with primary keys of their own."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import fields
from datetime import datetime
from functools import cache
from itertools import count
from operator import attrgetter
from typing import Any, NamedTuple, get_type_hints

from django.db.models import Max

from registry.bulk import Row, Table
from registry.demo.mending import Mend
from registry.demo.people import Staff
from registry.demo.review_rows import identity_values, link_values, report_values
from registry.demo.story import (
    KneeStory,
    LookStory,
    Part,
    PatientStory,
    ProcedureStory,
    ReadingStory,
    ReoperationStory,
    Slip,
    SoftAnswerStory,
    TearStory,
)
from registry.models import (
    BookedVisit,
    Complication,
    Contact,
    EndOfFollowUp,
    GivenUpReview,
    Identity,
    Imaging,
    ImagingFinding,
    Implant,
    IndexProcedure,
    Knee,
    Message,
    Patient,
    PatientLink,
    PatientReport,
    Rehabilitation,
    Reoperation,
    ReoperationOnTear,
    Repair,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    SoftAnswer,
    SuturePass,
    Tear,
    TearReading,
    Visit,
)
from registry.vocabulary import AnswerWay


class EventTable(NamedTuple):
    """Where a knee's events of one kind go, and where what they say of single tears."""

    events: str
    table: Table
    findings: str = ""
    finding_table: Table | None = None
    link: str = ""


VISITS = EventTable("visits", Visit)
EVENT_TABLES = (
    VISITS,
    EventTable("imaging", Imaging, "findings", ImagingFinding, "imaging_id"),
    EventTable("looks", SecondLook, "findings", SecondLookFinding, "look_id"),
    EventTable("reoperations", Reoperation, "on_tears", ReoperationOnTear, "reoperation_id"),
    EventTable("complications", Complication),
    EventTable("contacts", Contact),
    EventTable("scores", ScoreResponse),
    EventTable("given_up", GivenUpReview),
    EventTable("booked", BookedVisit),
)
# Each table after those it refers to.
TABLES: tuple[Table, ...] = (
    Patient,
    Identity,
    EndOfFollowUp,
    Knee,
    IndexProcedure,
    Implant,
    Rehabilitation,
    Tear,
    Repair,
    SuturePass,
    TearReading,
    *(each.table for each in EVENT_TABLES),
    *(each.finding_table for each in EVENT_TABLES if each.finding_table),
    SoftAnswer,
    PatientReport,
    PatientLink,
    Message,
)


class Rows:
    """Rows told so far, by table; their keys go on after `last_keys`. Knows no database."""

    def __init__(self, staff: Staff, last_keys: Mapping[Table, int]) -> None:
        self._staff = staff
        self._keys = {table: count(last_keys[table] + 1) for table in TABLES}
        self._rows: dict[Table, list[Row]] = defaultdict(list)
        self._mends: list[Mend] = []

    def take(self) -> tuple[dict[Table, list[Row]], tuple[Mend, ...]]:
        """Rows told since the last call, in an order in which they can be saved, and what to put right."""
        taken = {table: self._rows[table] for table in TABLES if table in self._rows}
        mends = tuple(self._mends)
        self._rows, self._mends = defaultdict(list), []
        return taken, mends

    def tell(self, story: PatientStory) -> None:
        """Add all rows of one patient."""
        unit = self._staff.units[story.unit]
        patient = self._add(Patient, story, unit_id=unit)
        self._keep(Identity, identity_values(story.identity, unit) | {"patient_id": patient})
        first_surgeon = story.knees[0].procedures[0].team.lead_surgeon
        by = self._staff.enters_follow_up(story.unit, first_surgeon)
        if story.end_of_follow_up:
            self._add(EndOfFollowUp, story.end_of_follow_up, patient_id=patient, recorded_by_id=by)
        for knee in story.knees:
            self._knee(knee, patient, story.language, by)

    def _knee(self, story: KneeStory, patient: int, language: str, by: int | None) -> None:
        knee = self._add(Knee, story, patient_id=patient)
        tears: dict[int, int] = {}
        procedures = [self._procedure(procedure, knee, tears) for procedure in story.procedures]
        reoperations: list[int] = []
        for kind in EVENT_TABLES:
            for event in getattr(story, kind.events):
                key = self._event(kind, event, knee, by, tears)
                if isinstance(event, ReoperationStory):
                    reoperations.append(key)
                if isinstance(event, LookStory):
                    self._answers(event.soft_answers, tears, procedure_id=None, look_id=key)
        for duplicate in story.duplicates:
            key = self._event(VISITS, duplicate.visit, knee, by, tears)
            self._mends.append(Mend(Visit, key, None, duplicate.reason, by))
        self._reports(story, knee, language, by, (reoperations, procedures))

    def _reports(
        self,
        story: KneeStory,
        knee: int,
        language: str,
        by: int | None,
        operations: tuple[list[int], list[int]],
    ) -> None:
        """What the patient reported, and by which links; `operations` are keys of what may confirm it."""
        reports = [
            self._add(
                PatientReport,
                report,
                **report_values(report, *operations),
                knee_id=knee,
                recorded_by_id=None if report.way == AnswerWay.LINK else by,
            )
            for report in story.reports
        ]
        for link in story.links:
            key = self._add(
                PatientLink,
                link,
                **link_values(link, story.reports, reports),
                knee_id=knee,
                language=language,
            )
            for message in link.messages:
                self._add(Message, message, link_id=key)

    def _procedure(self, story: ProcedureStory, knee: int, tears: dict[int, int]) -> int:
        """The operation and its tears, whose keys are noted in `tears` by their number; gives its own key."""
        by = self._staff.account(story.team.lead_surgeon)
        slips = {slip.tear: slip for slip in story.note.slips}
        procedure = self._mistyped(
            IndexProcedure,
            slips.get(None),
            by,
            story,
            recorded_by_id=by,
            signed_by_id=by if story.note.signed_at else None,
            knee_id=knee,
            unit_id=self._staff.units[story.unit],
            lead_surgeon_id=self._surgeon(story.team.lead_surgeon),
            first_assistant_id=self._surgeon(story.team.first_assistant),
            repaired_by_id=self._surgeon(story.team.repaired_by),
        )
        for tear in story.tears:
            revises = None if tear.revises is None else tears[tear.revises]
            links = {"procedure_id": procedure, "revises_id": revises}
            tears[tear.number] = self._mistyped(Tear, slips.get(tear.number), by, tear, **links)
            self._repair(tear, tears[tear.number], story.recorded_at)
        self._note(story, procedure, tears)
        return procedure

    def _repair(self, story: TearStory, tear: int, recorded_at: datetime) -> None:
        if story.repair:
            repair = self._add(Repair, story.repair, recorded_at=recorded_at, tear_id=tear)
            for each in story.repair.passes:
                self._add(SuturePass, each, repair_id=repair)

    def _note(self, story: ProcedureStory, procedure: int, tears: dict[int, int]) -> None:
        for implant in story.note.implants:
            self._add(Implant, implant, procedure_id=procedure)
        for course in story.note.rehabilitation:
            self._add(Rehabilitation, course, procedure_id=procedure)
        self._answers(story.note.soft_answers, tears, procedure_id=procedure, look_id=None)
        for reading in story.note.readings:
            self._reading(reading, tears[reading.tear])

    def _answers(
        self, answers: Iterable[SoftAnswerStory], tears: dict[int, int], **entry: int | None
    ) -> None:
        for answer in answers:
            tear = None if answer.tear is None else tears[answer.tear]
            self._add(SoftAnswer, answer, tear_id=tear, **entry)

    def _reading(self, story: ReadingStory, tear: int) -> None:
        self._add(
            TearReading,
            story,
            tear_id=tear,
            reader_id=self._surgeon(story.reader),
            recorded_by_id=self._staff.account(story.reader),
        )

    def _event(self, kind: EventTable, story: Any, knee: int, by: int | None, tears: dict[int, int]) -> int:
        event = self._add(kind.table, story, knee_id=knee, recorded_by_id=by)
        if kind.finding_table:
            for finding in getattr(story, kind.findings):
                links = {kind.link: event, "tear_id": tears[finding.tear]}
                self._add(kind.finding_table, finding, **links)
        return event

    def _surgeon(self, code: str | None) -> int | None:
        return None if code is None else self._staff.surgeons[code]

    def _mistyped(self, table: Table, slip: Slip | None, by: int | None, story: Any, **links: Any) -> int:
        """As `_add`, with the value mistyped at first, if one was: the right one is noted as a mend."""
        values = columns(table, story) | links
        if slip is None:
            return self._keep(table, values)
        key = self._keep(table, values | {slip.field: slip.typed})
        self._mends.append(Mend(table, key, {slip.field: values[slip.field]}, slip.reason, by))
        return key

    def _add(self, table: Table, story: Any, **links: Any) -> int:
        """Keep what a story says of a table, and what the row names of others."""
        return self._keep(table, columns(table, story) | links)

    def _keep(self, table: Table, values: dict[str, Any]) -> int:
        """Keep a row under the table's next key, and give the key back."""
        values["id"] = key = next(self._keys[table])
        self._rows[table].append(values)
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


def last_keys() -> dict[Table, int]:
    """Of each table, the highest key in use."""
    return {table: table._base_manager.aggregate(highest=Max("pk"))["highest"] or 0 for table in TABLES}
