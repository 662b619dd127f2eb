"""What a person has to say before a file can be rehearsed: nothing doubtful is guessed. Pure."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from django.utils import timezone

from registry.intake.columns import content, dates
from registry.intake.columns.known import Known
from registry.intake.columns.mapping import Column, DateOrder, Mapping, SheetMapping, plain
from registry.intake.columns.needed import Needed, missing_in_file, missing_in_sheet
from registry.intake.columns.rows import place_named, rows_of
from registry.intake.columns.targets import PARTS, TARGETS, Kind, Target
from registry.intake.columns.unclear import Unclear
from registry.intake.columns.values import Reader, distinct, pieces, reader
from registry.intake.columns.words import typed
from registry.intake.file.sheet import Sheet, Unreadable, Value

_MOST_SHOWN = 200


class QuestionKind(StrEnum):
    """What is asked, and where in the mapping the answer goes."""

    DATE_ORDER = "date_order"  # Column.date_order
    DECIMAL = "decimal"  # Column.decimal
    UNIT = "unit"  # Column.unit
    VALUE = "value"  # Column.meanings, by plain(typed)
    MISSING = "missing"  # a column with one of the choices as target, or SheetMapping.fixed
    TWICE = "twice"  # Column.target of all but one


@dataclass(frozen=True, slots=True)
class Question:
    """One question. `place` is the column it is of, None where it is of the sheet.

    `values` are values as typed with how often; `choices` are (code, label) of the answers on offer.
    """

    sheet: str
    place: int | None
    header: str
    kind: QuestionKind
    words: str
    values: tuple[tuple[str, int], ...] = ()
    choices: tuple[tuple[str, str], ...] = ()


def questions(sheets: Sequence[Sheet], mapping: Mapping, known: Known) -> list[Question]:
    """Everything that has to be said before rehearsing; empty when nothing has."""
    by_name = {sheet.name: sheet for sheet in sheets}
    used = [said for said in mapping.sheets if said.is_used and said.sheet in by_name]
    asked = [each for said in used for each in _of_sheet(by_name[said.sheet], said, known)]
    lacking = missing_in_file(_filled(said) for said in used)
    return asked + [_missing(used[0].sheet, needed) for needed in lacking]


def _filled(said: SheetMapping) -> list[str]:
    keys = (*(column.target for column in said.columns), *said.fixed)
    return [key for key in keys if key in TARGETS and TARGETS[key].kind is not Kind.REFUSED]


def _of_sheet(sheet: Sheet, said: SheetMapping, known: Known) -> Iterator[Question]:
    filled = _filled(said)
    yield from (_missing(sheet.name, needed) for needed in missing_in_sheet(filled))
    yield from _twice(said)
    today = timezone.now().date()
    rows = rows_of(sheet, said.header_row, place_named(said.columns))
    for column in said.columns:
        if column.target in TARGETS:
            cells = [cells[column.place] for _, cells in rows]
            yield from _OfColumn(said.sheet, column, cells, known, today).questions()


def _missing(sheet: str, needed: Needed) -> Question:
    choices = tuple((key, _full_label(TARGETS[key])) for key in needed)
    words = " or ".join(label for _, label in choices)
    return Question(
        sheet,
        None,
        "",
        QuestionKind.MISSING,
        f"No column says: {words}. Say which one does, or what holds for every row.",
        choices=choices,
    )


def _full_label(target: Target) -> str:
    return f"{PARTS[target.part]}: {target.label.lower() if target.label[1:2].islower() else target.label}"


def _twice(said: SheetMapping) -> Iterator[Question]:
    counts = Counter(column.target for column in said.columns if column.target in TARGETS)
    for key, count in counts.items():
        if count == 1 and key not in said.fixed:
            continue
        columns = [column for column in said.columns if column.target == key]
        how = "by several columns" if count > 1 else "by a column and for every row"
        yield Question(
            said.sheet,
            columns[-1].place,
            columns[-1].header,
            QuestionKind.TWICE,
            f"{_full_label(TARGETS[key])} is said {how}. Keep one of them.",
            choices=tuple((str(column.place), column.header) for column in columns),
        )


class _OfColumn:
    """What is to be asked of one column."""

    def __init__(self, sheet: str, column: Column, cells: Sequence[Value], known: Known, today: date) -> None:
        self.sheet, self.column, self.known, self.today = sheet, column, known, today
        self.target = TARGETS[column.target]
        self.values = [
            (value, count)
            for value, count in distinct(cells)
            if not isinstance(value, Unreadable) and plain(typed(value)) not in column.meanings
        ]

    def questions(self) -> Iterator[Question]:
        kind = self.target.kind
        if kind is Kind.DATE:
            yield from self._order()
            yield from self._epoch()
        elif kind in (Kind.WHOLE, Kind.DECIMAL):
            yield from self._unit()
            yield from self._decimal()
        elif kind in (Kind.CODE, Kind.CODES, Kind.YES_NO, Kind.SURGEON):
            yield from self._values()

    def _asked(
        self,
        kind: QuestionKind,
        words: str,
        values: Sequence[tuple[str, int]],
        choices: Sequence[tuple[str, str]],
    ) -> Question:
        shown = tuple(values[:_MOST_SHOWN])
        return Question(self.sheet, self.column.place, self.column.header, kind, words, shown, tuple(choices))

    def _order(self) -> Iterator[Question]:
        if self.column.date_order:
            return
        doubtful = content.two_readings(self.values, self.today)
        certain = content.certain_orders(self.values, self.today)
        if not doubtful and len(certain) < 2:
            return
        if not doubtful:
            doubtful = [(typed(value), count) for value, count in self.values if isinstance(value, str)]
        words = (
            "Its dates are written in two orders. Which one does the column have?"
            if len(certain) > 1
            else "Each of its dates could be another one. In which order are day, month and year?"
        )
        yield self._asked(QuestionKind.DATE_ORDER, words, doubtful, _orders_on_offer(doubtful, self.today))

    def _epoch(self) -> Iterator[Question]:
        counted = content.counted_days(self.values)
        if counted and self.column.unit not in dates.EPOCHS:
            choices = [
                (
                    code,
                    f"Days counted from {code[1:]}: {counted[0][0]} is {_day_counted(counted[0][0], code)}",
                )
                for code in dates.EPOCHS
            ]
            words = "It holds numbers where dates are due. Spreadsheets count days so: from which year?"
            yield self._asked(QuestionKind.UNIT, words, counted, choices)

    def _unit(self) -> Iterator[Question]:
        fitting = content.units_that_fit(self.values, self.target) if self.target.unit else ()
        if not self.column.unit and len(fitting) > 1:
            words = f"Its numbers are possible in more than one unit; the record keeps {self.target.unit}."
            shown = [(typed(value), count) for value, count in self.values]
            yield self._asked(
                QuestionKind.UNIT, words, shown, [(unit, _UNIT_LABELS.get(unit, unit)) for unit in fitting]
            )

    def _decimal(self) -> Iterator[Question]:
        doubtful = content.two_numbers(self.values, self.target, self.column)
        if doubtful:
            words = "Some of its numbers are two, by which sign stands before decimals. Which one does?"
            choices = [(",", "Comma: 1,5 is one and a half"), (".", "Point: 1.5 is one and a half")]
            yield self._asked(QuestionKind.DECIMAL, words, doubtful, choices)

    def _values(self) -> Iterator[Question]:
        unknown = self._unknown()
        if unknown:
            words = f"What do these values mean as {_full_label(self.target).lower()}?"
            yield self._asked(
                QuestionKind.VALUE, words, unknown.most_common(), _answers(self.target, self.known)
            )

    def _unknown(self) -> Counter[str]:
        read = reader(self.target, self.column, self.known, self.today)
        unknown: Counter[str] = Counter()
        for value, count in self.values:
            if isinstance(value, date) or _is_read(read, value):
                continue
            parts = pieces(value, self.target) if self.target.kind is Kind.CODES else [typed(value)]
            for part in parts:
                if plain(part) not in self.column.meanings and not _is_read(read, part):
                    unknown[part] += count
        return unknown


_UNIT_LABELS = {"1": "shares of one (0.85 is 85 %)", "wk": "weeks", "mo": "months", "d": "days", "a": "years"}


def _is_read(read: Reader, value: Value) -> bool:
    try:
        read(value)
    except Unclear:
        return False
    return True


def _answers(target: Target, known: Known) -> Sequence[tuple[str, str]]:
    if target.kind is Kind.SURGEON:
        return tuple(known.names.items())
    return (("yes", "Yes"), ("no", "No")) if target.kind is Kind.YES_NO else target.choices


def _orders_on_offer(values: Sequence[tuple[str, int]], today: date) -> list[tuple[str, str]]:
    """The orders that any of the values can have, each with what it makes of one of them."""
    return [
        (str(order), f"{_ORDER_LABELS[order]}: {example[0]} is {example[1]}")
        for order in dates.TYPED_ORDERS
        if (example := _example(values, order, today))
    ]


_ORDER_LABELS = {
    DateOrder.DAY_FIRST: "Day first",
    DateOrder.MONTH_FIRST: "Month first",
    DateOrder.YEAR_FIRST: "Year first",
}


def _example(values: Sequence[tuple[str, int]], order: DateOrder, today: date) -> tuple[str, str] | None:
    for text, _ in values:
        if order in dates.orders_of(text, today):
            day = next(dates.readings(dates.without_time(text), today, [order]))
            return text, day.on.isoformat()
    return None


def _day_counted(text: str, epoch: str) -> str:
    return (dates.EPOCHS[epoch] + timedelta(days=int(text.partition(".")[0]))).isoformat()
