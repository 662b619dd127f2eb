"""What each row of a sheet says, read by its mapping: Python values by target, problems told by place."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from django.utils import timezone

from registry.intake.columns.known import Known
from registry.intake.columns.mapping import Column, SheetMapping, plain
from registry.intake.columns.rows import place_named, sorted_out
from registry.intake.columns.targets import TARGETS, TOTAL_REFUSED, Kind, rooted
from registry.intake.columns.unclear import Unclear
from registry.intake.columns.values import Said, reader
from registry.intake.columns.words import typed
from registry.intake.file.sheet import Sheet, Value, letters
from registry.intake.problem import Problem


@dataclass(frozen=True, slots=True)
class MeantRow:
    """One row (from 1) of a sheet.

    `values` holds what was read, by target key: date, int, Decimal, bool, text, a code or several codes.
    `places` leads each of these keys to its column, from 0; what a mapping fixed has no place.
    """

    sheet: str
    row: int
    values: Mapping[str, Any]
    places: Mapping[str, int] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A row that is none of the record's: a total, a note, or the header once more."""

    row: int
    why: str


@dataclass(frozen=True, slots=True)
class MeantSheet:
    """A sheet's rows in order, those left out, and columns left out, in words. Empty rows are in neither."""

    rows: tuple[MeantRow, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    notes: tuple[str, ...] = ()

    def __iter__(self) -> Iterator[MeantRow]:
        return iter(self.rows)


def meant(sheet: Sheet, mapping: SheetMapping, known: Known) -> MeantSheet:
    """Every row of a sheet by what its mapping says of columns and values."""
    today = timezone.now().date()
    every_row = list(sorted_out(sheet, mapping.header_row, place_named(mapping.columns)))
    rows = [(number, cells) for number, cells, why in every_row if not why]
    columns = [_Cells(column, rows, known, today) for column in _used(mapping)]
    fixed = {key: _fixed(key, text, known, today) for key, text in mapping.fixed.items() if key in TARGETS}
    return MeantSheet(
        tuple(_Row(sheet.name, number, cells).read(columns, fixed) for number, cells in rows),
        tuple(LeftOut(number, why) for number, _, why in every_row if why),
        tuple(_totals(mapping)),
    )


def fixed_value(key: str, text: str, known: Known) -> Any:
    """What a fixed value says of its target; Unclear where it says nothing that the target takes."""
    said = _fixed(key, text, known, timezone.now().date())
    if isinstance(said, Unclear):
        raise said
    return said.values


def _used(mapping: SheetMapping) -> list[Column]:
    """Columns with a target; those that say a thing themselves before those that say it by the way."""
    used = [column for column in mapping.columns if column.target in TARGETS]
    return sorted(
        (column for column in used if TARGETS[column.target].kind is not Kind.REFUSED),
        key=lambda column: column.target.endswith(".place"),
    )


def _totals(mapping: SheetMapping) -> Iterator[str]:
    for column in mapping.columns:
        if column.target in TARGETS and TARGETS[column.target].kind is Kind.REFUSED:
            where = f"{mapping.sheet}, column {letters(column.place)} ({column.header})"
            yield f"{where}: left out. {TOTAL_REFUSED}"


def _fixed(key: str, text: str, known: Known, today: date) -> Said | Unclear:
    column = Column(-1, "", key, meanings={plain(text): text})
    return _tried(reader(TARGETS[key], column, known, today), text)


def _tried(read: Callable[[Value], Said], value: Value) -> Said | Unclear:
    try:
        return read(value)
    except Unclear as refusal:
        return refusal


class _Cells:
    """One column: each different value is read once."""

    def __init__(
        self, column: Column, rows: Sequence[tuple[int, Sequence[Value]]], known: Known, today: date
    ) -> None:
        self.place, self.header, self.key = column.place, column.header, column.target
        cells = (cells[column.place] for _, cells in rows)
        self._read = reader(TARGETS[column.target], column, known, today, cells)
        self._seen: dict[tuple[type, Value], Said | Unclear] = {}

    def said(self, value: Value) -> Said | Unclear:
        kind_and_value = value.__class__, value  # 1 and True are different cells
        said = self._seen.get(kind_and_value)
        if said is None:
            said = self._seen[kind_and_value] = _tried(self._read, value)
        return said


class _Row:
    """One row being read."""

    def __init__(self, sheet: str, number: int, cells: Sequence[Value]) -> None:
        self.sheet, self.number, self.cells = sheet, number, cells
        self.values: dict[str, Any] = {}
        self.places: dict[str, int] = {}
        self.headers: dict[int, str] = {}
        self.disputed: set[str] = set()
        self.century_open: set[str] = set()
        self.problems: list[Problem] = []

    def read(self, columns: Sequence[_Cells], fixed: Mapping[str, Said | Unclear]) -> MeantRow:
        for column in columns:
            value = self.cells[column.place]
            if value is not None:
                self._take(column, column.said(value))
        self._settle_fixed(fixed)
        self._settle_birth()
        for key in self.disputed:
            self.values.pop(key, None)
            self.places.pop(key, None)
        return MeantRow(self.sheet, self.number, self.values, self.places, tuple(self.problems))

    def _take(self, column: _Cells, said: Said | Unclear) -> None:
        if isinstance(said, Unclear):
            self._tell(column.place, column.header, said.rule, said.mend)
            return
        for key, value in said.values.items():
            if self.values.setdefault(key, value) != value:
                self._dispute(column, key, value)
            self.places.setdefault(key, column.place)
            self.headers[column.place] = column.header
            if said.century_open:
                self.century_open.add(key)

    def _dispute(self, column: _Cells, key: str, value: Any) -> None:
        self.disputed.add(key)
        other = self.places[key]
        self._tell(
            column.place,
            column.header,
            f"says {TARGETS[key].label.lower()} {value}, and column {letters(other)} ({self.headers[other]}) "
            f"says {self.values[key]}.",
            "Correct one of them.",
        )

    def _tell(self, place: int, header: str, rule: str, mend: str) -> None:
        column, value = ("", "") if place < 0 else (letters(place), typed(self.cells[place]))
        self.problems.append(Problem(self.sheet, self.number, column, header, value, rule, mend))

    def _settle_fixed(self, fixed: Mapping[str, Said | Unclear]) -> None:
        if not fixed:
            return
        scopes = {_scope(key) for key in self.values}
        told = scopes | {rooted(scope) for scope in scopes} | _OF_EVERY_ROW
        for key, said in fixed.items():
            if _scope(key) not in told:
                continue
            if isinstance(said, Unclear):
                self._tell(
                    -1, TARGETS[key].label, f"{TARGETS[key].label} for every row {said.rule}", said.mend
                )
            else:
                self.values = {**said.values, **self.values}

    def _settle_birth(self) -> None:
        """A birth of two digits lies before the operation; of date and year, the date stands alone."""
        born, year = self.values.get("patient.born_on"), self.values.get("patient.born_year")
        operated = self.values.get("operation.operated_on")
        if operated and "patient.born_on" in self.century_open and born and born > operated:
            born = self.values["patient.born_on"] = _a_century_before(born)
        if operated and "patient.born_year" in self.century_open and year and year > operated.year:
            year = self.values["patient.born_year"] = year - 100
        if born and year:
            self._settle_both(born, year)

    def _settle_both(self, born: date, year: int) -> None:
        if born.year == year:
            del self.values["patient.born_year"]
            self.places.pop("patient.born_year", None)
            return
        place = self.places.get("patient.born_year", -1)
        self.disputed |= {"patient.born_on", "patient.born_year"}
        self._tell(
            place,
            self.headers.get(place, "Year of birth"),
            f"says year of birth {year}, and the date of birth is {born.isoformat()}.",
            "Correct one of them.",
        )


def _a_century_before(day: date) -> date:
    try:
        return day.replace(year=day.year - 100)
    except ValueError:  # 29 February of a century without one: left after the operation, and refused there
        return day


_OF_EVERY_ROW = {"patient", "knee", "operation"}
_ONE_TEAR = {"tear", "repair", "passes"}


def _scope(key: str) -> str:
    """What a value belongs to: of one tear, its repair and passes too."""
    part = key.partition(".")[0]
    root = rooted(part)
    return part.replace(root, "tear", 1) if root in _ONE_TEAR else part
