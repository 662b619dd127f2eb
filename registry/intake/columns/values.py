"""The values of one column, each read into what its target holds. Pure."""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, time, timedelta
from functools import cache, partial
from typing import Any

from registry.intake.columns import dates, quantities
from registry.intake.columns.known import Known
from registry.intake.columns.mapping import Column, plain
from registry.intake.columns.targets import PLACES, TOTAL_REFUSED, Kind, Target
from registry.intake.columns.unclear import Unclear
from registry.intake.columns.value_words import NO, NOT_KNOWN, PLACE_WORDS, WORDS, YES
from registry.intake.columns.words import folded, typed
from registry.intake.file.sheet import Unreadable, Value
from registry.models.limits import not_in_future


@dataclass(frozen=True, slots=True)
class Said:
    """What a cell says, by target key; nothing where it is empty.

    `century_open` tells that the year was typed with two digits and read as the latest past one.
    """

    values: Mapping[str, Any] = field(default_factory=dict)
    century_open: bool = False


NOTHING = Said()
Reader = Callable[[Value], Said]  # raises Unclear

_PARTS = re.compile(r"\s*(?:[+/,;&\n]|\bund\b|\band\b|\by\b|\bet\b)\s*", re.IGNORECASE)
_POWER = re.compile(r"[+-]?\d+(?:[.,]\d+)?e[+-]?\d+", re.IGNORECASE)
_DECIMAL_TAIL = re.compile(r"\d+[.,]0+")
_EXACT_UP_TO = 10**15  # whole numbers above are no longer exact in a workbook


def reader(target: Target, column: Column, known: Known, today: date, cells: Iterable[Value] = ()) -> Reader:
    """The reader of a column's values. `cells` are all of them, for what one alone does not show."""
    read = _BY_KEY.get(target.key) or _BY_KIND[target.kind]
    context = Context(target, column, known, today, _width_with_zeros(target, cells))
    return partial(_read, read, context)


@dataclass(frozen=True, slots=True)
class Context:
    """What reading a value needs to know of its column.

    `digits` is how many digits every hospital number has where they are typed with zeros in front, else 0.
    """

    target: Target
    column: Column
    known: Known
    today: date
    digits: int = 0


def _read(read: Callable[[Value, Context], Said], context: Context, value: Value) -> Said:
    if value is None:
        return NOTHING
    if isinstance(value, Unreadable):
        raise Unclear(value.why, "Correct the cell in the file.")
    meaning = context.column.meanings.get(plain(typed(value)))
    if meaning == "":
        return NOTHING
    if meaning is not None and meaning in context.known.names and context.target.kind is Kind.SURGEON:
        return _said(context, meaning)  # a code, even where it is the name of somebody else
    return read(value if meaning is None else meaning, context)


def says_nothing(value: Value, target: Target) -> bool:
    """Whether a value is a way to write that nothing is known. Short words may be names."""
    word = plain(typed(value))
    may_be_a_name = target.kind is Kind.TEXT and word.isalpha() and len(word) <= 4
    return word in NOT_KNOWN and not may_be_a_name


def _said(context: Context, value: Any) -> Said:
    return Said({context.target.key: value})


# --- codes ----------------------------------------------------------------------------------------


@cache
def codes_by_word(choices: tuple[tuple[str, str], ...]) -> dict[str, str]:
    """Every known word, `folded`, for the codes of a list: codes and labels before what people type."""
    theirs = PLACE_WORDS if choices == PLACES else WORDS.get(choices, {})
    own = {folded(word): code for code, label in choices for word in (label, code)}
    return theirs | {word: code for word, code in own.items() if word}


def code_of(value: Value, target: Target) -> str | None:
    """The code that a value stands for, None where it is unknown."""
    return codes_by_word(target.choices).get(folded(typed(value)))


def _code(value: Value, context: Context) -> Said:
    code = code_of(_no_date(value), context.target)
    if code is not None:
        return _coded(context.target, code)
    if says_nothing(value, context.target):
        return NOTHING
    raise _unknown(context.target)


def _coded(target: Target, code: str) -> Said:
    if target.choices == PLACES:
        meniscus, _, third = code.partition("_")
        return Said({f"{target.part}.meniscus": meniscus, f"{target.part}.radial_location": third})
    return Said({target.key: int(code) if target.codes_are_numbers else code})


def pieces(value: Value, target: Target) -> list[str]:
    """What a cell of several codes holds, one by one; a cell that is one code is not taken apart."""
    text = typed(value)
    if code_of(text, target):
        return [text]
    return [piece for piece in _PARTS.split(text) if piece]


def _codes(value: Value, context: Context) -> Said:
    if says_nothing(value, context.target):
        return NOTHING
    found = []
    for piece in pieces(_no_date(value), context.target):
        meaning = context.column.meanings.get(plain(piece), piece)
        code = code_of(meaning, context.target)
        if code is None and meaning:
            raise _unknown(context.target, "" if piece == typed(value) else piece)
        found += [code] if code else []
    return _said(context, tuple(dict.fromkeys(found))) if found else NOTHING


def _unknown(target: Target, piece: str = "") -> Unclear:
    labels = ", ".join(label for _, label in target.choices)
    return Unclear(
        f"{f'has {piece!r}, which ' if piece else ''}is none of: {labels}.", "Say what it means here."
    )


def _no_date(value: Value) -> Value:
    if isinstance(value, date | time):
        raise Unclear("is a date or time.", "A spreadsheet may have made it one: enter the value as text.")
    return value


def yes_or_no(value: Value) -> bool | None:
    """Yes, no, or None for a word that is neither."""
    if isinstance(value, bool):
        return value
    word = plain(typed(value))
    return True if word in YES else False if word in NO else None


def _yes_no(value: Value, context: Context) -> Said:
    answer = yes_or_no(value)
    if answer is not None:
        return _said(context, answer)
    if says_nothing(value, context.target):
        return NOTHING
    raise Unclear("is neither yes nor no.", "Say what it means here.")


def _surgeon(value: Value, context: Context) -> Said:
    code = context.known.surgeon(typed(_no_date(value)))
    if code is not None:
        return _said(context, code)
    if says_nothing(value, context.target):
        return NOTHING
    raise Unclear("is no surgeon of this unit.", "Say who it is, or add the surgeon to the unit first.")


# --- dates and numbers ----------------------------------------------------------------------------


def _date(value: Value, context: Context) -> Said:
    if says_nothing(value, context.target):
        return NOTHING
    may_be_ahead = not_in_future not in context.target.validators
    latest = context.today + _PLANNED_AHEAD if may_be_ahead else context.today
    day = dates.read(value, context.column.date_order, context.column.unit, latest)
    quantities.checked_by_record(context.target, day.on)
    if day.precision == "day":
        return Said({context.target.key: day.on}, day.century_open)
    if day.precision == "month" and context.target.key == "operation.injured_on":
        return Said({context.target.key: day.on, "operation.injury_date_precision": "month"})
    if day.precision == "year" and context.target.key == "patient.born_on":
        return Said({"patient.born_year": day.on.year})
    raise Unclear(
        f"tells the {day.precision} alone.", _MEND_INEXACT.get(context.target.key, "Enter the day too.")
    )


_PLANNED_AHEAD = timedelta(days=366)
_MEND_INEXACT = {
    "operation.injured_on": "Enter the month too, or leave the cell empty.",
    "patient.born_on": "Enter the day too, or the year alone.",
}


def _year(value: Value, context: Context) -> Said:
    if says_nothing(value, context.target):
        return NOTHING
    if isinstance(value, date):
        return _said(context, value.year)
    text = typed(value)
    if re.fullmatch(r"\d{2}", text):
        return Said({context.target.key: dates.century(int(text), context.today)}, century_open=True)
    if not re.fullmatch(r"\d{4}", text) or not dates.EARLIEST_YEAR <= int(text) <= context.today.year:
        years = f"{dates.EARLIEST_YEAR} to {context.today.year}"
        raise Unclear(f"is no year from {years}.", "Enter the year with four digits.")
    return _said(context, int(text))


def _number(value: Value, context: Context) -> Said:
    if isinstance(value, str) and says_nothing(value, context.target):
        return NOTHING
    column = context.column
    return _said(context, quantities.read(value, context.target, column.unit, column.decimal))


# --- text -----------------------------------------------------------------------------------------


def _text(value: Value, context: Context) -> Said:
    return NOTHING if says_nothing(value, context.target) else _said(context, typed(_no_date(value)))


def _hospital_number(value: Value, context: Context) -> Said:
    """As typed: what a spreadsheet may have changed is refused, since it would name somebody else."""
    if says_nothing(value, context.target):
        return NOTHING
    text = typed(_no_date(value))
    if _POWER.fullmatch(text) or (isinstance(value, int | float) and abs(value) >= _EXACT_UP_TO):
        raise Unclear("is a number shortened by a spreadsheet.", "Enter it whole, as text.")
    if isinstance(value, bool) or (isinstance(value, float) and not value.is_integer()):
        raise Unclear("is no hospital number.", "Enter it as text.")
    if _DECIMAL_TAIL.fullmatch(text):
        raise Unclear("ends as numbers do that a program wrote.", "Enter the number without its decimals.")
    if not isinstance(value, str) and len(text) < context.digits:
        raise Unclear(
            f"has fewer digits than the {context.digits} of the others: it may have lost zeros in front.",
            "Enter it as text, with its zeros.",
        )
    return _said(context, text)


def _width_with_zeros(target: Target, cells: Iterable[Value]) -> int:
    if target.key != "patient.hospital_number":
        return 0
    numerals = {cell for cell in cells if isinstance(cell, str) and cell.isdecimal()}
    widths = {len(text) for text in numerals}
    return widths.pop() if len(widths) == 1 and any(text[0] == "0" for text in numerals) else 0


def _refused(value: Value, context: Context) -> Said:
    raise Unclear("is a total.", TOTAL_REFUSED)


_BY_KIND: dict[Kind, Callable[[Value, Context], Said]] = {
    Kind.TEXT: _text,
    Kind.DATE: _date,
    Kind.YEAR: _year,
    Kind.WHOLE: _number,
    Kind.DECIMAL: _number,
    Kind.YES_NO: _yes_no,
    Kind.CODE: _code,
    Kind.CODES: _codes,
    Kind.SURGEON: _surgeon,
    Kind.REFUSED: _refused,
}
_BY_KEY = {"patient.hospital_number": _hospital_number}


def distinct(values: Iterable[Value]) -> list[tuple[Value, int]]:
    """Each value of a column with how often it stands there, the commonest first; empty cells left out."""
    counts = Counter((value.__class__, value) for value in values if value is not None)
    return [(value, count) for (_, value), count in counts.most_common()]


def readable(read: Reader, values: Iterable[Value]) -> Iterator[bool]:
    """For each value, whether it can be read."""
    for value in values:
        try:
            read(value)
        except Unclear:
            yield False
        else:
            yield True
