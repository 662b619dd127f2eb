"""Rows of the record made of what a file tells of a person, each beside the thing it was made of."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import models

from registry.intake.columns.targets import MODELS, NUMBERED_MODELS
from registry.intake.people import comparing
from registry.intake.people.matching import KnownTear
from registry.intake.people.settling import EventKey, OperationKey, PlacedEvent, Settled
from registry.intake.people.told import DATES, WITH_FINDINGS, Operation, Thing, TornThing
from registry.models import (
    Identity,
    IndexProcedure,
    Knee,
    Patient,
    Rehabilitation,
    Repair,
    Surgeon,
    SuturePass,
    Tear,
    Unit,
)
from registry.vocabulary import DatePrecision, Treatment

# Tables in the order in which their rows can be recorded.
_OF_OPERATION = (Patient, Identity, Knee, IndexProcedure, Rehabilitation, Tear, Repair, SuturePass)
TABLES: tuple[type[models.Model], ...] = (
    *_OF_OPERATION,
    *(MODELS[kind] for kind in DATES),
    *(NUMBERED_MODELS[kind] for kind in WITH_FINDINGS),
)
# Where only the year of birth is known (see Patient.born_on).
MIDDLE_OF_THE_YEAR = (7, 1)
SURGEONS = ("lead_surgeon", "first_assistant", "repaired_by")


@dataclass(slots=True)
class Made:
    """A row of the record, the thing that tells it, and what has to be left out if it is refused."""

    row: models.Model
    thing: Thing
    settled: Settled
    entry: OperationKey | EventKey | None = None  # None: the patient


def rows_of(settled: Settled, unit: Unit, surgeons: Mapping[str, Surgeon]) -> Iterator[list[Made]]:
    """What is new of a person, entry by entry: the patient, each operation, each event."""
    return _Building(settled, unit, surgeons).entries()


class _Building:
    """The new rows of one person, which refer to each other."""

    def __init__(self, settled: Settled, unit: Unit, surgeons: Mapping[str, Surgeon]) -> None:
        self.settled, self.unit, self.surgeons = settled, unit, surgeons
        self.patient = settled.known.patient or self._patient()
        self.knees = dict(settled.known.knees)
        self.tears: dict[int, Tear] = {}

    def entries(self) -> Iterator[list[Made]]:
        if self.settled.known.patient is None and self.settled.new_operations:
            thing = self.settled.person.patient
            identity = Identity.sealed(
                self.patient, **{name: thing.values.get(name, "") for name in Identity.FIELDS}
            )
            yield [Made(row, thing, self.settled) for row in (self.patient, identity)]
        for operation in self.settled.new_operations:
            yield [*self._operation(operation)]
        for placed in self.settled.new_events:
            yield [*self._event(placed)]

    def _patient(self) -> Patient:
        values = {
            name: value
            for name, value in self.settled.person.patient.values.items()
            if name not in Identity.FIELDS and name != "born_year"
        }
        year = self.settled.person.patient.values.get("born_year")
        if "born_on" not in values and year:
            values |= {"born_on": date(year, *MIDDLE_OF_THE_YEAR), "born_on_is_exact": False}
        return Patient(unit=self.unit, **values)

    def _operation(self, told: Operation) -> Iterator[Made]:
        key = (told.side, told.day)
        if told.side not in self.knees:
            self.knees[told.side] = Knee(patient=self.patient, side=told.side)
            yield Made(self.knees[told.side], told.thing, self.settled, key)
        procedure = IndexProcedure(
            knee=self.knees[told.side], unit=self.unit, from_old_notes=True, **self._values(told.thing)
        )
        if procedure.injured_on is None:
            procedure.injury_date_precision = DatePrecision.UNKNOWN
        yield Made(procedure, told.thing, self.settled, key)
        for course in told.rehabilitation.values():
            yield Made(Rehabilitation(procedure=procedure, **course.values), course, self.settled, key)
        for torn in told.tears:
            for row, thing in self._torn(procedure, torn):
                yield Made(row, thing, self.settled, key)

    def _torn(self, procedure: IndexProcedure, torn: TornThing) -> Iterator[tuple[models.Model, Thing]]:
        is_repaired = {"treatment": Treatment.REPAIRED} if torn.repair or torn.passes else {}
        tear = Tear(procedure=procedure, **{**is_repaired, **torn.tear.values})
        self.tears[id(torn)] = tear
        yield tear, torn.tear
        if torn.repair or torn.passes:
            repair = Repair(tear=tear, **(comparing.written(torn.repair) if torn.repair else {}))
            yield repair, torn.repair or torn.tear
            if torn.passes:
                yield SuturePass(repair=repair, **torn.passes.values), torn.passes

    def _event(self, placed: PlacedEvent) -> Iterator[Made]:
        event = placed.event
        of = {"knee": self.knees[placed.side]} if placed.side else {"patient": self.patient}
        key = (event.kind, event.side, event.day, event.apart)
        model: Any = MODELS[event.kind]
        row = model(**of, **event.thing.values)
        yield Made(row, event.thing, self.settled, key)
        for number, torn in placed.tears.items():
            finding: Any = NUMBERED_MODELS[event.kind]
            thing = event.findings[number].thing
            tear = torn.tear if isinstance(torn, KnownTear) else self.tears[id(torn)]
            yield Made(
                finding(**{finding.EVENT_FIELD: row}, tear=tear, **thing.values), thing, self.settled, key
            )

    def _values(self, thing: Thing) -> dict[str, Any]:
        return {
            name: self.surgeons.get(value) if name in SURGEONS else value
            for name, value in thing.values.items()
        }
