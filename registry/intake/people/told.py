"""What a file tells, brought together from its rows: people, their operations, and what followed. Pure."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from registry.intake.columns.meaning import MeantRow
from registry.intake.columns.targets import rooted
from registry.intake.people.placing import Places, named
from registry.intake.problem import Problem
from registry.models.limits import told

# The date of each kind of event, by the part that tells of it.
DATES = {
    "visit": "seen_on",
    "look": "looked_on",
    "reoperation": "operated_on",
    "imaging": "imaged_on",
    "complication": "noticed_on",
    "contact": "contacted_on",
    "end": "ended_on",
    "score": "answered_on",
}
# What tells two events of one kind and day apart.
APART = {"imaging": "modality", "complication": "kind", "score": "instrument"}
WITH_FINDINGS = ("look", "reoperation", "imaging")


@dataclass(slots=True)
class Thing:
    """One thing that rows tell: its values by field, and the row and target key that said each first."""

    part: str
    row: MeantRow
    values: dict[str, Any] = field(default_factory=dict)
    said: dict[str, tuple[MeantRow, str]] = field(default_factory=dict)

    def take(self, row: MeantRow, part: str, values: Mapping[str, Any], places: Places) -> Iterator[Problem]:
        """Add what another row says of it; a problem for each value that is said otherwise already."""
        for name, value in values.items():
            if name not in self.values:
                self.values[name] = value
                self.said[name] = (row, f"{part}.{name}")
            elif self.values[name] != value:
                earlier = named(self.said[name][0], row)
                yield places.problem(
                    row,
                    f"{part}.{name}",
                    f"In {earlier} it is {shown(self.values[name])}.",
                    "Make both rows agree, or leave one of them out.",
                )

    def place(self, name: str) -> tuple[MeantRow, str]:
        """The row and target key that say a field; its first row where none says it."""
        return self.said.get(name, (self.row, f"{self.part}.{name}"))


@dataclass(slots=True)
class TornThing:
    """A tear with its repair and the passes in it, as told."""

    tear: Thing
    repair: Thing | None = None
    passes: Thing | None = None


@dataclass(slots=True)
class Operation:
    """An operation with its tears in order. `refused_by` is a refused row that tells more of it."""

    side: str
    day: date
    thing: Thing
    rows: list[MeantRow] = field(default_factory=list)
    tears: list[TornThing] = field(default_factory=list)
    rehabilitation: dict[str, Thing] = field(default_factory=dict)
    refused_by: MeantRow | None = None


@dataclass(slots=True)
class Finding:
    """What an event says of one tear; `is_numbered` unless the sheet cannot say which tear it means."""

    thing: Thing
    is_numbered: bool


@dataclass(slots=True)
class Event:
    """An event of a knee ("" where no row says which) on a day, after the operation that it names."""

    kind: str
    side: str
    day: date
    thing: Thing
    operated_on: date | None = None
    # By number of the tear, from 1, in the order of the operation.
    findings: dict[int, Finding] = field(default_factory=dict)
    rows: list[MeantRow] = field(default_factory=list)

    @property
    def apart(self) -> str:
        """What tells it from others of its kind and day."""
        return str(self.thing.values.get(APART.get(self.kind, ""), ""))


@dataclass(slots=True)
class Person:
    """All that the sound rows of a file tell of one hospital number."""

    number: str
    patient: Thing
    operations: dict[tuple[str, date], Operation] = field(default_factory=dict)
    events: dict[tuple[str, str, date, str], Event] = field(default_factory=dict)

    @property
    def rows(self) -> list[MeantRow]:
        """The rows that tell an operation or event of them; one that tells of two stands there twice."""
        told_of: list[Operation | Event] = [*self.operations.values(), *self.events.values()]
        return [row for each in told_of for row in each.rows]


def place_of(row: MeantRow) -> tuple[str, int]:
    """By what a row is told from all others."""
    return row.sheet, row.row


def plain_number(number: str) -> str:
    """A hospital number as the blind index takes it: blind to spacing and letter case."""
    return "".join(number.split()).upper()


def shown(value: Any) -> str:
    """A value in words, as problems show it."""
    if value is None or value == "" or value == ():
        return "empty"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, date):
        return told(value)
    return ", ".join(value) if isinstance(value, tuple) else str(value)


def parts_of(row: MeantRow) -> dict[str, dict[str, Any]]:
    """What a row says, by part and field."""
    parts: dict[str, dict[str, Any]] = {}
    for key, value in row.values.items():
        part, _, name = key.partition(".")
        parts.setdefault(part, {})[name] = value
    return parts


def tells_operation(row: MeantRow, parts: Mapping[str, Any]) -> bool:
    """Whether a row tells an operation, rather than naming the one that an event followed."""
    if any(rooted(part) in ("tear", "repair", "passes", "rehabilitation") for part in parts):
        return True
    said = {key for key in row.places if key.startswith("operation.")}
    return bool(said - {"operation.operated_on"}) or (bool(said) and not events_in(parts))


def events_in(parts: Mapping[str, Any]) -> list[str]:
    """The kinds of event that a row tells of, by itself or by a finding."""
    roots = {rooted(part) for part in parts}
    return [kind for kind in DATES if kind in roots]
