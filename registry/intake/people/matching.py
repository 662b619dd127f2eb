"""What the record knows of the people in a file, found by blind index; a few queries for many people."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from django.db.models import QuerySet

from registry.intake.columns.targets import MODELS, NUMBERED_MODELS
from registry.intake.people.told import APART, DATES, WITH_FINDINGS
from registry.models import (
    Identity,
    IndexProcedure,
    IntakeRow,
    Kept,
    Knee,
    Patient,
    Rehabilitation,
    Repair,
    SuturePass,
    Tear,
    Unit,
)
from registry.sealing import blind_index
from registry.vocabulary import IntakeState


@dataclass(slots=True)
class KnownTear:
    """A tear on record with what was done to it."""

    tear: Tear
    repair: Repair | None = None
    passes: list[SuturePass] = field(default_factory=list)


@dataclass(slots=True)
class KnownOperation:
    """An operation on record, its tears in their order."""

    row: IndexProcedure
    tears: list[KnownTear] = field(default_factory=list)
    rehabilitation: dict[str, Rehabilitation] = field(default_factory=dict)


@dataclass(slots=True)
class KnownEvent:
    """An event on record, its findings by the key of the tear."""

    row: Any
    findings: dict[int, Any] = field(default_factory=dict)


@dataclass(slots=True)
class OnRecord:
    """What the record holds of one hospital number. `patient` is None where that number is withdrawn.

    `withdrawn` are sides and days of operations that somebody took back, other than by undoing an intake.
    """

    patient: Patient | None = None
    knees: dict[str, Knee] = field(default_factory=dict)
    operations: dict[tuple[str, date], KnownOperation] = field(default_factory=dict)
    withdrawn: set[tuple[str, date]] = field(default_factory=set)
    events: dict[tuple[str, str, date, str], KnownEvent] = field(default_factory=dict)

    def event(self, kind: str, side: str, day: date, apart: str) -> KnownEvent | None:
        """An event of that kind, knee and day; a follow-up ends once, whatever the day."""
        if kind == "end":
            return next((event for key, event in self.events.items() if key[0] == "end"), None)
        return self.events.get((kind, side, day, apart))


def on_record(unit: Unit, numbers: Collection[str]) -> dict[str, OnRecord]:
    """What a unit's record holds of each of these hospital numbers; those it never held are left out."""
    by_index = {blind_index(unit.pk, number): number for number in numbers}
    identities = Identity.ever.filter(unit=unit, hospital_number_index__in=by_index)
    found: dict[str, OnRecord] = {}
    for identity in _not_undone(identities).select_related("patient"):
        known = found.setdefault(by_index[identity.hospital_number_index], OnRecord())
        if identity.stands:
            known.patient = identity.patient
    standing = {known.patient.pk: known for known in found.values() if known.patient}
    if standing:
        _fill(standing)
    return found


def _fill(standing: Mapping[int, OnRecord]) -> None:
    knees = {knee.pk: knee for knee in Knee.objects.filter(patient__in=standing).select_related("patient")}
    for knee in knees.values():
        standing[knee.patient_id].knees[knee.side] = knee
    operations = _operations(standing, knees)
    _parts(operations)
    for kind in DATES:
        _events(kind, standing, knees)


def _not_undone(rows: "QuerySet[Any]") -> "QuerySet[Any]":
    """Without what was taken back by undoing an intake: that may come again."""
    undone = IntakeRow.objects.filter(intake__state=IntakeState.UNDONE, row_table=rows.model._meta.db_table)
    return rows.exclude(withdrawn_at__isnull=False, pk__in=undone.values("row_id"))


def _operations(standing: Mapping[int, OnRecord], knees: Mapping[int, Knee]) -> dict[int, KnownOperation]:
    found = {}
    rows = _not_undone(IndexProcedure.ever.filter(knee__in=knees))
    for row in rows.select_related("lead_surgeon", "first_assistant", "repaired_by"):
        row.knee = knees[row.knee_id]
        known, key = standing[row.knee.patient_id], (row.knee.side, row.operated_on)
        if row.stands:
            found[row.pk] = known.operations[key] = KnownOperation(row)
        else:
            known.withdrawn.add(key)
    return found


def _parts(operations: Mapping[int, KnownOperation]) -> None:
    for course in Rehabilitation.objects.filter(procedure__in=operations):
        operations[course.procedure_id].rehabilitation[course.course] = course
    tears = {}
    for tear in Tear.objects.filter(procedure__in=operations).order_by("pk"):
        tear.procedure = operations[tear.procedure_id].row
        tears[tear.pk] = KnownTear(tear)
        operations[tear.procedure_id].tears.append(tears[tear.pk])
    repairs = {}
    for repair in Repair.objects.filter(tear__in=tears):
        tears[repair.tear_id].repair = repair
        repairs[repair.pk] = tears[repair.tear_id]
    for group in SuturePass.objects.filter(repair__in=repairs):
        repairs[group.repair_id].passes.append(group)


def _events(kind: str, standing: Mapping[int, OnRecord], knees: Mapping[int, Knee]) -> None:
    model: Any = MODELS[kind]
    of_patient = kind == "end"
    rows = model.objects.filter(**{"patient__in": standing} if of_patient else {"knee__in": knees})
    findings = _findings(kind, rows) if kind in WITH_FINDINGS else {}
    for row in rows:
        side = "" if of_patient else knees[row.knee_id].side
        patient = row.patient_id if of_patient else knees[row.knee_id].patient_id
        apart = str(getattr(row, APART[kind])) if kind in APART else ""
        key = (kind, side, getattr(row, DATES[kind]), apart)
        standing[patient].events[key] = KnownEvent(row, findings.get(row.pk, {}))


def _findings(kind: str, rows: Iterable[Kept]) -> dict[int, dict[int, Any]]:
    model: Any = NUMBERED_MODELS[kind]
    event = model.EVENT_FIELD
    found: dict[int, dict[int, Any]] = defaultdict(dict)
    for finding in model.objects.filter(**{f"{event}__in": [row.pk for row in rows]}):
        found[getattr(finding, f"{event}_id")][finding.tear_id] = finding
    return found
