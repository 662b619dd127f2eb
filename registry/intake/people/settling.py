"""How everything a file tells of a person stands to the record: new, on record, conflicting or refused.

What is on record is never changed, and two people are never merged: whoever disagrees in sex or birth with
the patient of the same number is told, and left out.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date

from registry.intake.columns.meaning import MeantRow
from registry.intake.people import comparing
from registry.intake.people.comparing import Difference
from registry.intake.people.matching import KnownTear, OnRecord
from registry.intake.people.placing import Places, named
from registry.intake.people.told import Event, Operation, Person, Thing, TornThing, place_of, shown
from registry.intake.problem import Problem
from registry.intake.report import Standing
from registry.models.limits import told

OperationKey = tuple[str, date]
EventKey = tuple[str, str, date, str]
NOT_CHANGED = "Correct the file, or the record; an intake changes nothing that is on record."


@dataclass(slots=True)
class PlacedEvent:
    """An event with its knee, the operation it follows, and the tears of its findings by their number."""

    event: Event
    side: str
    follows: OperationKey | None
    tears: dict[int, TornThing | KnownTear] = field(default_factory=dict)


@dataclass(slots=True)
class Settled:
    """One person of the file beside the record. `events` to be taken in are in `placed` too."""

    person: Person
    known: OnRecord
    patient: Standing = Standing.NEW
    operations: dict[OperationKey, Standing] = field(default_factory=dict)
    events: dict[EventKey, Standing] = field(default_factory=dict)
    placed: dict[EventKey, PlacedEvent] = field(default_factory=dict)
    # The tears of each operation in the order by which findings number them.
    tears: dict[OperationKey, list[TornThing] | list[KnownTear]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    @property
    def new_operations(self) -> list[Operation]:
        return [self.person.operations[key] for key, each in self.operations.items() if each is Standing.NEW]

    @property
    def new_events(self) -> list[PlacedEvent]:
        return [self.placed[key] for key, standing in self.events.items() if standing is Standing.NEW]

    def refuse_patient(self, problems: Iterable[Problem], places: Places) -> None:
        """Leave out all of a person that cannot be put on record."""
        self._leave_all_out(Standing.REFUSED, [*problems], "Its patient is refused: see {}.", places)

    def refuse_operation(self, key: OperationKey, problems: Iterable[Problem], places: Places) -> None:
        """Leave out an operation, and with it what followed it."""
        self.operations[key] = Standing.REFUSED
        self.problems += problems
        for event_key, placed in self.placed.items():
            if placed.follows == key and self.events[event_key] is Standing.NEW:
                self.refuse_event(event_key, self._without_operation(placed.event, key, places))
        if self.patient is Standing.NEW and not self.new_operations:
            self.patient = Standing.REFUSED

    def refuse_event(self, key: EventKey, problems: Iterable[Problem]) -> None:
        self.events[key] = Standing.REFUSED
        self.problems += problems

    def conflict(self, found: Iterable[Difference], places: Places) -> None:
        """The patient of this number is another person, or was mistyped: nothing of them is taken in."""
        problems = [*_told_otherwise(found, "The patient of this number", places)]
        self._leave_all_out(
            Standing.CONFLICTING, problems, "Its patient is on record otherwise: see {}.", places
        )

    def _leave_all_out(self, standing: Standing, problems: list[Problem], words: str, places: Places) -> None:
        self.patient = standing
        self.operations = dict.fromkeys(self.person.operations, standing)
        self.events = dict.fromkeys(self.person.events, standing)
        self.problems += problems
        at = {(each.sheet, each.row) for each in problems}
        others = {place_of(row): row for row in self.person.rows}
        first = problems[0]
        for place, row in others.items():
            if place not in at:
                where = f"row {first.row}" + ("" if first.sheet == row.sheet else f" of {first.sheet}")
                self.problems.append(places.problem(row, "", words.format(where), "Mend that one."))

    def _without_operation(self, event: Event, key: OperationKey, places: Places) -> Iterator[Problem]:
        operation = self.person.operations[key]
        for row in event.rows:
            yield places.problem(
                row,
                "",
                f"The operation it follows, of {told(key[1])}, is not taken in: "
                f"see {named(operation.rows[0], row)}.",
                "Mend that one.",
            )


def settled(person: Person, known: OnRecord | None, places: Places) -> Settled:
    """A person as the record knows them, everything told of them in its standing."""
    each = Settled(person, known or OnRecord())
    if known is not None and (found := [*_another_person(person, known)]):
        each.conflict(found, places)
        return each
    each.patient = Standing.ON_RECORD if known else Standing.NEW
    for key, operation in person.operations.items():
        _settle_operation(each, key, operation, places)
    for event_key, event in person.events.items():
        _settle_event(each, event_key, event, places)
    if each.patient is Standing.NEW and not each.new_operations:
        each.patient = Standing.REFUSED
    return each


def _another_person(person: Person, known: OnRecord) -> Iterator[Difference]:
    if known.patient is None:
        yield person.patient, "hospital_number", "withdrawn"
    else:
        yield from comparing.of_patient(person.patient, known.patient)


# --- operations ---------------------------------------------------------------------------------


def _settle_operation(each: Settled, key: OperationKey, told_of: Operation, places: Places) -> None:
    each.tears[key] = told_of.tears
    known = each.known.operations.get(key)
    if told_of.refused_by is not None:
        each.operations[key] = Standing.REFUSED
        each.problems += _spoilt(told_of, places)
    elif known is not None:
        same = comparing.same_tears(told_of, known)
        found = [*comparing.of_operation(told_of, known), *_torn_otherwise(told_of, known.tears, same)]
        differs = [
            *_told_otherwise(found, f"The operation of {told(key[1])}", places),
            *_more_tears(told_of, len(known.tears), places),
        ]
        each.operations[key] = Standing.CONFLICTING if differs else Standing.ON_RECORD
        each.tears[key] = same or known.tears
        each.problems += differs
    elif key in each.known.withdrawn:
        each.operations[key] = Standing.CONFLICTING
        each.problems.append(
            places.problem(
                told_of.rows[0],
                "operation.operated_on",
                "An operation of that day on this knee was on record and is withdrawn.",
                "Bring it back on its page, or leave the row out.",
            )
        )
    elif not told_of.tears:
        each.operations[key] = Standing.REFUSED
        each.problems.append(
            places.problem(
                told_of.rows[0],
                "operation.operated_on",
                "No tear of this operation is told, and none of that day is on record.",
                "Name the columns that tell meniscus, pattern and place, or leave the row out.",
            )
        )
    else:
        each.operations[key] = Standing.NEW


def _spoilt(operation: Operation, places: Places) -> Iterator[Problem]:
    refused = operation.refused_by
    for row in operation.rows:
        yield places.problem(
            row,
            "",
            f"{named(refused, row).capitalize()} tells of the same operation and is refused.",  # type: ignore[arg-type]
            "Mend that row; an operation is taken in whole.",
        )


def _torn_otherwise(
    told_of: Operation, known: list[KnownTear], same: list[KnownTear] | None
) -> Iterator[Difference]:
    """The first difference of a tear that none on record is like, beside the one in its place."""
    if same is not None:
        return
    for torn, beside in zip(told_of.tears, known, strict=False):
        if all(any(comparing.of_tear(torn, each)) for each in known):
            yield from comparing.of_tear(torn, beside)
            return


def _more_tears(told_of: Operation, known: int, places: Places) -> Iterator[Problem]:
    if len(told_of.tears) > known:
        row, key = _first_said(told_of.tears[known].tear)
        count = f"{known} tear{'' if known == 1 else 's'}, the file tells {len(told_of.tears)}"
        rule = f"The operation of {told(told_of.day)} is on record with {count}."
        yield places.problem(row, key, rule, NOT_CHANGED)


def _told_otherwise(found: Iterable[Difference], what: str, places: Places) -> Iterator[Problem]:
    for thing, name, recorded in found:
        row, key = thing.place(name)
        field_name = name.replace("_", " ")
        yield places.problem(
            row, key, f"{what} is on record with {field_name} {shown(recorded)}.", NOT_CHANGED
        )


# --- events -------------------------------------------------------------------------------------


def _settle_event(each: Settled, key: EventKey, event: Event, places: Places) -> None:
    found = [*_place(each, key, event, places)]
    if found:
        each.refuse_event(key, found)
        return
    placed = each.placed[key]
    known = each.known.event(event.kind, placed.side, event.day, event.apart)
    if known is None:
        each.events[key] = Standing.NEW
        return
    otherwise = [*comparing.differences(event.thing, known.row)]
    for number, tear in placed.tears.items():
        row = known.findings.get(tear.tear.pk) if isinstance(tear, KnownTear) else None
        otherwise += comparing.differences(event.findings[number].thing, row)
    each.events[key] = Standing.CONFLICTING if otherwise else Standing.ON_RECORD
    each.problems += _told_otherwise(otherwise, f"The {event.kind} of {told(event.day)}", places)


def _place(each: Settled, key: EventKey, event: Event, places: Places) -> Iterator[Problem]:
    """Put an event where it belongs, or say why that cannot be."""
    sides = {side for side, _ in each.person.operations} | set(each.known.knees)
    side = event.side or (next(iter(sides)) if len(sides) == 1 else "")
    if event.kind == "end":
        each.placed[key] = PlacedEvent(event, "", None)
        if not each.new_operations and not each.known.operations:
            yield from _at_each_row(event, *_NO_OPERATION, places)
        return
    if not side:
        words = "The patient has two knees on record or in this file" if sides else "No operation is told of"
        yield from _at_each_row(
            event, f"{words}, and the row does not say which it is.", "Enter the side.", places
        )
        return
    follows = _followed(each, side, event)
    if follows is None:
        yield from _at_each_row(event, *_NO_OPERATION, places)
    elif each.operations.get(follows) in (Standing.REFUSED, Standing.CONFLICTING):
        yield from each._without_operation(event, follows, places)
    else:
        each.placed[key] = PlacedEvent(event, side, follows)
        yield from _name_tears(each.placed[key], _tears(each, follows), places)


_NO_OPERATION = (
    "The operation that it follows is neither in this file nor on record.",
    "Check hospital number, side and dates, or bring in the operation too.",
)


def _followed(each: Settled, side: str, event: Event) -> OperationKey | None:
    """The operation that an event names, or else the latest on its knee by then."""
    keys = each.person.operations.keys() | each.known.operations.keys()
    if event.operated_on:
        return (side, event.operated_on) if (side, event.operated_on) in keys else None
    before = [key for key in keys if key[0] == side and key[1] <= event.day]
    return max(before, key=lambda key: key[1], default=None)


def _tears(each: Settled, key: OperationKey) -> list[TornThing] | list[KnownTear]:
    return each.tears[key] if key in each.tears else each.known.operations[key].tears


def _name_tears(
    placed: PlacedEvent, tears: list[TornThing] | list[KnownTear], places: Places
) -> Iterator[Problem]:
    for number, finding in placed.event.findings.items():
        row, key = _first_said(finding.thing)
        if not finding.is_numbered and len(tears) > 1:
            yield places.problem(
                row,
                key,
                f"The operation has {len(tears)} tears ({_listed(tears)}), and the sheet does not say of "
                "which this is.",
                "Give each tear its own column, numbered in this order.",
            )
        elif number > len(tears):
            yield places.problem(
                row,
                key,
                f"There is no tear {number}: the operation has {len(tears)} ({_listed(tears)}).",
                "Correct the number, or leave the finding out.",
            )
        else:
            placed.tears[number] = tears[number - 1]


def _first_said(thing: Thing) -> tuple[MeantRow, str]:
    return thing.place(next(iter(thing.values)))


def _listed(tears: Sequence[TornThing | KnownTear]) -> str:
    return ", ".join(f"{number}: {_in_words(tear)}" for number, tear in enumerate(tears, 1)) or "none"


def _in_words(torn: TornThing | KnownTear) -> str:
    if isinstance(torn, KnownTear):
        return str(torn.tear)
    told_of = torn.tear.values
    return f"{told_of.get('pattern', 'tear')} of the {told_of.get('meniscus', 'unnamed')} meniscus"


def _at_each_row(event: Event, rule: str, mend: str, places: Places) -> Iterator[Problem]:
    for row in event.rows:
        yield places.problem(row, "", rule, mend)
