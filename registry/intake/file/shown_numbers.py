"""Numbers of a workbook as a person sees them, where their number format changes what is meant."""

import re
from collections.abc import Callable, Mapping
from datetime import date, datetime, time, timedelta
from typing import Any

from openpyxl.styles.numbers import BUILTIN_FORMATS, BUILTIN_FORMATS_MAX_SIZE, STRIP_RE

from registry.intake.file.sheet import Unreadable, Value

Shown = Callable[[Any], Value]

_ZEROS = re.compile(r"0{2,}")
NEVER_A_DAY = Unreadable("29 February 1900", "Spreadsheets count this day, but it never was.")
_NO_DAY = "It is formatted as a date, but holds less than one day."


def shown_by_style(book: Any) -> Mapping[int, Shown]:
    """For each style of an openpyxl workbook that matters: a function of a cell's value."""
    formats = (_format(style.numFmtId, book._number_formats) for style in book._cell_styles)
    found = ((style, _shown(each)) for style, each in enumerate(formats))
    return {style: shown for style, shown in found if shown is not None}


def _format(number: int, own: list[str]) -> str:
    """A number format for positive numbers, without its quoted words, colours and languages."""
    if number < BUILTIN_FORMATS_MAX_SIZE:
        code = BUILTIN_FORMATS.get(number, "General")
    else:
        code = own[number - BUILTIN_FORMATS_MAX_SIZE]
    return str(STRIP_RE.sub("", code.split(";")[0])).lower()


def _shown(code: str) -> Shown | None:
    if code == "general":
        return None
    if _ZEROS.fullmatch(code):
        return lambda value: _padded(value, len(code))
    if "%" in code:
        return _percent
    if "y" in code:
        return _date if "d" in code or "m" not in code else _month
    return _date if "d" in code else None


def _padded(value: Value, length: int) -> Value:
    """A number that is shown with zeros before it: a hospital number."""
    is_whole = isinstance(value, int) and not isinstance(value, bool) and value >= 0
    return str(value).zfill(length) if is_whole else value


def _percent(value: Value) -> Value:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return f"{value * 100:.12g}%" if is_number else value  # type: ignore[operator]


def _date(value: Value) -> Value:
    """A time under a date's format is a number below 1: mostly a formula that points to an empty cell."""
    return Unreadable(value.isoformat(), _NO_DAY) if isinstance(value, time) else value


def _month(value: Value) -> Value:
    """The first of a month that is shown without its day was typed as a month: 2021-03."""
    if isinstance(value, date) and value.day == 1:
        return f"{value:%Y-%m}"
    return _date(value)


def plainly(value: Any) -> Value:
    """Midnight as a date alone, a duration as time or text, a number without binary noise."""
    if isinstance(value, datetime):
        return value.date() if value.time() == time() else value
    if isinstance(value, timedelta):
        return _duration(value)
    if isinstance(value, float):
        return float(f"{value:.15g}")  # the digits that spreadsheets show at most
    return value  # type: ignore[no-any-return]


def _duration(value: timedelta) -> Value:
    minutes, seconds = divmod(round(value.total_seconds()), 60)
    hours, minutes = divmod(minutes, 60)
    return time(hours, minutes, seconds) if 0 <= hours < 24 else f"{hours}:{minutes:02}:{seconds:02}"
