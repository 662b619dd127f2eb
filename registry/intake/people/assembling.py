"""Rows brought together to the people they tell of. Pure.

A row is sound or refused as a whole. Of an operation all rows have to be sound, since one left out might tell
another tear of it; a refused row that says nothing of it but what sound rows say does no harm.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from registry.intake.columns.meaning import MeantRow
from registry.intake.columns.targets import MODELS, TARGETS, rooted
from registry.intake.people.placing import Places, named
from registry.intake.people.told import (
    APART,
    DATES,
    WITH_FINDINGS,
    Event,
    Finding,
    Operation,
    Person,
    Thing,
    TornThing,
    events_in,
    parts_of,
    place_of,
    plain_number,
    tells_operation,
)
from registry.intake.problem import Problem

Parts = Mapping[str, dict[str, Any]]


@dataclass(slots=True)
class Assembled:
    """The people of a file in the order they are first told of, and what is wrong with its rows.

    `refused` rows have a problem of their own; `idle` ones are sound and tell neither operation nor event.
    """

    people: dict[str, Person] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    refused: list[MeantRow] = field(default_factory=list)
    idle: list[MeantRow] = field(default_factory=list)


def assembled(rows: Iterable[MeantRow], places: Places) -> Assembled:
    """Everything that the rows of all sheets tell; the same told twice is told once."""
    rows = tuple(rows)
    tried = _Assembly(places, rows)
    if not tried.problems:
        return tried.whole()
    # Once more without the rows that are refused, so that nothing of them stays behind.
    refused = [row for row in rows if place_of(row) in tried.problems]
    whole = _Assembly(places, [row for row in rows if place_of(row) not in tried.problems]).whole()
    whole.problems = [problem for problems in tried.problems.values() for problem in problems]
    whole.refused = refused
    for row in refused:
        _spoil(whole, row, places)
    return whole


class _Assembly:
    """Rows brought together, with the problems of each row by its place."""

    def __init__(self, places: Places, rows: Iterable[MeantRow]) -> None:
        self.places = places
        self.people: dict[str, Person] = {}
        self.problems: dict[tuple[str, int], list[Problem]] = {}
        self.idle: list[MeantRow] = []
        told_of = [told for row in rows if (told := self._person(row))]
        operations = [self._operation(*told) for told in told_of]
        # Events last: what they say of tears goes by all that is told of the operation.
        for told, operation in zip(told_of, operations, strict=True):
            self._events(*told, operation)

    def whole(self) -> Assembled:
        return Assembled(self.people, idle=self.idle)

    def _person(self, row: MeantRow) -> tuple[Person, MeantRow, Parts] | None:
        """Whose row it is, unless something is wrong with it."""
        parts = parts_of(row)
        found = list(row.problems) or list(_unplaced(row, parts, self.places))
        if not found:
            number = row.values["patient.hospital_number"]
            thing = Thing("patient", row)
            person = self.people.setdefault(plain_number(number), Person(number, thing))
            told = {**parts["patient"], "hospital_number": person.number}  # however this row spaces it
            found = list(person.patient.take(row, "patient", told, self.places))
        if self._refuse(row, found):
            return None
        return person, row, parts

    def _operation(self, person: Person, row: MeantRow, parts: Parts) -> Operation | None:
        if not tells_operation(row, parts):
            return None
        operation, found = _operation_of(person, row, parts, self.places)
        self._refuse(row, found)
        return operation

    def _events(self, person: Person, row: MeantRow, parts: Parts, operation: Operation | None) -> None:
        if place_of(row) in self.problems:
            return
        self._refuse(row, list(_events(person, row, parts, operation, self.places)))
        if operation is None and not events_in(parts):
            self.idle.append(row)

    def _refuse(self, row: MeantRow, found: list[Problem]) -> bool:
        if found:
            self.problems.setdefault(place_of(row), []).extend(found)
        return bool(found)


def _unplaced(row: MeantRow, parts: Parts, places: Places) -> Iterator[Problem]:
    """A row has to say whose it is; of an operation, of which knee and day too."""
    if row.values.get("patient.hospital_number") is None:
        yield places.problem(
            row,
            "patient.hospital_number",
            "The row does not say whose it is.",
            "Enter the hospital number, or leave the row out.",
        )
        return
    if tells_operation(row, parts):
        for key, what in (("knee.side", "which knee"), ("operation.operated_on", "on which day")):
            if key not in row.values:
                yield places.problem(
                    row,
                    key,
                    f"The row tells an operation, but not {what}.",
                    f"Enter the {'side' if key == 'knee.side' else 'date of operation'}.",
                )


# --- operations ---------------------------------------------------------------------------------


def _operation_of(
    person: Person, row: MeantRow, parts: Parts, places: Places
) -> tuple[Operation, list[Problem]]:
    """The operation that a row tells, with what the row adds to it."""
    side, day = row.values["knee.side"], row.values["operation.operated_on"]
    operation = person.operations.setdefault((side, day), Operation(side, day, Thing("operation", row)))
    found = list(operation.thing.take(row, "operation", _with_injury(parts["operation"]), places))
    found += _rehabilitation(operation, row, parts, places)
    for number in numbers_of(parts, "tear", "repair", "passes"):
        found += _tear(operation, row, parts, number, places)
    operation.rows.append(row)
    return operation, found


def _with_injury(values: Mapping[str, Any]) -> dict[str, Any]:
    """Days before the operation told as a date of injury."""
    told = dict(values)
    before = told.pop("injured_days_before", None)
    if before is not None:
        told.setdefault("injured_on", told["operated_on"] - timedelta(days=before))
    return told


def _rehabilitation(operation: Operation, row: MeantRow, parts: Parts, places: Places) -> Iterator[Problem]:
    if told := parts.get("rehabilitation"):
        course = told.get("course", "")
        thing = operation.rehabilitation.setdefault(course, Thing("rehabilitation", row))
        yield from thing.take(row, "rehabilitation", told, places)


def _tear(
    operation: Operation, row: MeantRow, parts: Parts, number: int, places: Places
) -> Iterator[Problem]:
    """Add a tear, unless it is one of another row told once more."""
    told = parts.get(f"tear{number}", {})
    earlier = [each for each in operation.tears if each.tear.row is not row]
    torn = next((each for each in earlier if each.tear.values == told), None)
    if torn is None:
        like = next((each for each in earlier if _could_be(each.tear.values, told)), None)
        if like is not None:
            yield places.problem(
                row,
                next((f"tear{number}.{name}" for name in told), f"tear{number}"),
                f"It may be the tear of {named(like.tear.row, row)}, told in fewer or more words.",
                "Tell it alike in both rows; if it is another tear, tell another meniscus, place or pattern.",
            )
            return
        torn = TornThing(Thing(f"tear{number}", row))
        operation.tears.append(torn)
        yield from torn.tear.take(row, f"tear{number}", told, places)
    for part in ("repair", "passes"):
        if values := parts.get(f"{part}{number}"):
            thing = getattr(torn, part) or Thing(f"{part}{number}", row)
            setattr(torn, part, thing)
            yield from thing.take(row, f"{part}{number}", values, places)


def _could_be(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    return all(one[name] == other[name] for name in one.keys() & other.keys())


def numbers_of(parts: Parts, *roots: str) -> list[int]:
    """The numbers under which a row tells of these parts, in order."""
    numbered = [part for part in parts if part != rooted(part) and rooted(part) in roots]
    return sorted({int(part.removeprefix(rooted(part))) for part in numbered})


# --- events -------------------------------------------------------------------------------------


def _events(
    person: Person, row: MeantRow, parts: Parts, operation: Operation | None, places: Places
) -> Iterator[Problem]:
    for kind in events_in(parts):
        for values in _forms(parts.get(kind, {})) if kind == "score" else (parts.get(kind, {}),):
            yield from _event(person, row, kind, values, operation, places)


def _event(
    person: Person,
    row: MeantRow,
    kind: str,
    values: dict[str, Any],
    operation: Operation | None,
    places: Places,
) -> Iterator[Problem]:
    date_name = DATES[kind]
    day = values.get(date_name)
    if day is None:
        what = TARGETS[f"{kind}.{date_name}"].label.lower()
        yield places.problem(
            row,
            f"{kind}.{date_name}",
            f"{_label(kind)} is told, but not its day ({what}).",
            "Enter the date, or leave what is told of it out.",
        )
        return
    side = "" if kind == "end" else row.values.get("knee.side", "")
    key = (kind, side, day, str(values.get(APART.get(kind, ""), "")))
    event = person.events.setdefault(key, Event(kind, side, day, Thing(kind, row)))
    yield from event.thing.take(row, kind, values, places)
    yield from _named_operation(event, row, places)
    if kind in WITH_FINDINGS:
        yield from _findings(event, row, operation, places)
    event.rows.append(row)


def _named_operation(event: Event, row: MeantRow, places: Places) -> Iterator[Problem]:
    named_day = row.values.get("operation.operated_on")
    if event.operated_on and named_day and event.operated_on != named_day:
        yield places.problem(
            row,
            "operation.operated_on",
            f"In {named(event.rows[0], row)} it follows another operation.",
            "Make both rows agree, or leave one of them out.",
        )
    event.operated_on = event.operated_on or named_day


def _findings(event: Event, row: MeantRow, operation: Operation | None, places: Places) -> Iterator[Problem]:
    parts = parts_of(row)
    own = _own_tears(row, parts, operation)
    for number in numbers_of(parts, event.kind):
        part = f"{event.kind}{number}"
        if own and number not in own:
            yield places.problem(
                row,
                next(f"{part}.{name}" for name in parts[part]),
                f"The row tells no tear {number}.",
                "Tell the tear in the same row, or number the finding as the tears of the row are.",
            )
            continue
        is_numbered = bool(own) or places.says_which_tear(row, event.kind)
        found = event.findings.setdefault(own.get(number, number), Finding(Thing(part, row), is_numbered))
        yield from found.thing.take(row, part, parts[part], places)


def _own_tears(row: MeantRow, parts: Parts, operation: Operation | None) -> dict[int, int]:
    """From the numbers of the tears in a row to those in the whole operation, which other rows add to."""
    if operation is None:
        return {}
    own = {}
    for number in numbers_of(parts, "tear", "repair", "passes"):
        told = parts.get(f"tear{number}", {})
        own[number] = 1 + next(at for at, each in enumerate(operation.tears) if _is(each, row, number, told))
    return own


def _is(torn: TornThing, row: MeantRow, number: int, told: Mapping[str, Any]) -> bool:
    """Whether a tear of an operation is that of a row: its own, or one told alike before."""
    if torn.tear.row is row:
        return torn.tear.part == f"tear{number}"
    return torn.tear.values == told


def _forms(told: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """What a row answers of each instrument; the items by code."""
    items: dict[str, dict[str, int]] = defaultdict(dict)
    about = {}
    for name, value in told.items():
        instrument, dot, code = name.partition(".")
        if dot:
            items[instrument][code] = value
        else:
            about[name] = value
    for instrument, answered in items.items():
        yield {**about, "instrument": instrument, "items": answered}


def _label(kind: str) -> str:
    name = str(MODELS[kind]._meta.verbose_name)
    return f"{'An' if name[0] in 'aeiou' else 'A'} {name}"


# --- refused rows -------------------------------------------------------------------------------


def _spoil(whole: Assembled, row: MeantRow, places: Places) -> None:
    """An operation is refused when a refused row may tell more of it than its sound rows do."""
    parts = parts_of(row)
    person = whole.people.get(plain_number(row.values.get("patient.hospital_number", "")))
    day = row.values.get("operation.operated_on")
    if person is None or day is None or not tells_operation(row, parts):
        return
    operation = person.operations.get((row.values.get("knee.side", ""), day))
    if operation is None:
        return
    if _adds(operation, parts) or any(_is_of_operation(each, places) for each in row.problems):
        operation.refused_by = row


def _is_of_operation(problem: Problem, places: Places) -> bool:
    return rooted(places.part_of(problem)) in ("", "patient", "knee", "operation", "tear", "repair", "passes")


def _adds(operation: Operation, parts: Parts) -> bool:
    """Whether a row says anything of an operation that is not said of it yet."""
    told = _with_injury(parts.get("operation", {}))
    tears = [parts.get(f"tear{number}", {}) for number in numbers_of(parts, "tear", "repair", "passes")]
    return any(operation.thing.values.get(name) != value for name, value in told.items()) or any(
        all(torn.tear.values != tear for torn in operation.tears) for tear in tears
    )
