"""Dates in the ways people type them. What could be two days is never settled here, only by the order said.

Libraries that read any date choose between day and month where they cannot know, so none serves. Pure.
"""

import re
from calendar import monthrange
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from registry.intake.columns.mapping import DateOrder
from registry.intake.columns.unclear import Unclear
from registry.intake.columns.words import folded, typed
from registry.intake.file.sheet import Value

EARLIEST_YEAR = 1900
# A spreadsheet counts days from here; it gave 1900 a 29 February, so the count holds from March 1900 on.
EPOCHS = {"d1900": date(1899, 12, 30), "d1904": date(1904, 1, 1)}
COUNTED = range(10_000, 80_000)  # 1927 to 2119

_MONTHS = (  # English, German, Spanish, French; the first three letters do unless they tell too little
    "jan january januar jaenner janner enero ene janvier janv",
    "feb february februar febrero fevrier fev fevr febr",
    "mar march marz maerz marzo mars mrz",
    "apr april abril abr avril avr",
    "may mai mayo",
    "jun june juni junio juin",
    "jul july juli julio juillet juil",
    "aug august agosto ago aout",
    "sep sept september septiembre septembre set",
    "oct october oktober okt octubre octobre",
    "nov november noviembre novembre",
    "dec december dezember dez diciembre dic decembre",
)
MONTHS = {name: number for number, names in enumerate(_MONTHS, 1) for name in names.split()}

_TIME = re.compile(r"[T\s,]+\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?\s*([ap]m|uhr|h|z)?$", re.IGNORECASE)
_THREE = re.compile(r"(\d{1,4})\s*([./-])\s*(\d{1,2})\s*\2\s*(\d{1,4})")
_MONTH_YEAR = re.compile(r"(\d{1,2})\s*[./-]\s*(\d{4})")
_YEAR_MONTH = re.compile(r"(\d{4})\s*[./-]\s*(\d{1,2})")
_EIGHT = re.compile(r"(\d{4})(\d{2})(\d{2})")
_OF = {"de", "del", "den", "der", "of", "le", "the"}

_PLACES = {DateOrder.DAY_FIRST: (2, 1, 0), DateOrder.MONTH_FIRST: (2, 0, 1), DateOrder.YEAR_FIRST: (0, 1, 2)}
TYPED_ORDERS = tuple(_PLACES)


@dataclass(frozen=True, slots=True)
class Day:
    """A date as typed: to the day, to the month (its 1st) or the year (1 January).

    `century_open` marks a year typed with two digits; it is then the latest that is not in the future.
    """

    on: date
    precision: str = "day"
    century_open: bool = False


def read(value: Value, order: DateOrder, epoch: str, today: date) -> Day:
    """The day that a value tells, in the order and with the epoch said of its column ("" while unsaid).

    Raises Unclear for anything else: with two readings, impossible, about, or no date at all.
    """
    if isinstance(value, date):  # a datetime is one too
        return Day(_sane(value.date() if isinstance(value, datetime) else value))
    if isinstance(value, bool | time):
        raise Unclear("is no date.", "Enter the day, month and year.")
    text = without_time(typed(value))
    if _counted(text):
        return _from_count(text, epoch)
    days = {day: None for day in readings(text, today, [order] if order else TYPED_ORDERS)}
    if len(days) == 1:
        return next(iter(days))
    if days:
        both = " or ".join(day.on.isoformat() for day in days)
        raise Unclear(f"can be {both}.", "Say in which order this column writes day and month.")
    raise _refusal(text, order, today)


def readings(text: str, today: date, orders: Collection[DateOrder] = TYPED_ORDERS) -> Iterator[Day]:
    """Every day that a text can tell in one of the orders, certain or not."""
    if match := _THREE.fullmatch(text):
        yield from _of_three(match, today, orders)
    else:
        yield from _worded_or_whole(text, today)


def orders_of(text: str, today: date) -> frozenset[DateOrder]:
    """The orders in which a text of three numbers is a day; empty where it is none or needs no order."""
    match = _THREE.fullmatch(without_time(text))
    if match is None or len(match[1]) == 4:
        return frozenset()
    by_order = {order: list(_of_three(match, today, [order])) for order in _possible(match, TYPED_ORDERS)}
    fitting = {order: days[0] for order, days in by_order.items() if days}
    return frozenset() if len(fitting) > 1 and len(set(fitting.values())) == 1 else frozenset(fitting)


def without_time(text: str) -> str:
    """A date as typed without the time of day behind it."""
    return _TIME.sub("", text.strip()).rstrip(".")


def is_counted(value: Value) -> bool:
    """Whether a value is a number such as spreadsheets count days by."""
    return not isinstance(value, bool | date | time) and _counted(typed(value))


def _counted(text: str) -> bool:
    number = text.partition(".")[0]
    return text.replace(".", "", 1).isdecimal() and number.isdecimal() and int(number) in COUNTED


def _from_count(text: str, epoch: str) -> Day:
    if epoch not in EPOCHS:
        raise Unclear("is a number, not a date.", "Say whether this column counts days, or enter the date.")
    return Day(_sane(EPOCHS[epoch] + timedelta(days=int(text.partition(".")[0]))))


def _of_three(match: re.Match[str], today: date, orders: Collection[DateOrder]) -> Iterator[Day]:
    numbers = match[1], match[3], match[4]
    for order in _possible(match, orders):
        year, month, day = (numbers[place] for place in _PLACES[order])
        if len(year) in (2, 4) and len(day) <= 2:
            yield from _day(year, int(month), int(day), today)


def _possible(match: re.Match[str], orders: Collection[DateOrder]) -> Collection[DateOrder]:
    """Four digits in front are a year whatever was said; two, while unsaid, before a hyphen or above 31."""
    if len(match[1]) == 4:
        return [DateOrder.YEAR_FIRST]
    if len(orders) == 1 or match[2] == "-" or int(match[1]) > 31:
        return orders
    return [order for order in orders if order is not DateOrder.YEAR_FIRST]


def _day(year: str, month: int, day: int, today: date) -> Iterator[Day]:
    is_short = len(year) == 2
    whole = century(int(year), today) if is_short else int(year)
    if not (EARLIEST_YEAR <= whole <= today.year + 100 and 1 <= month <= 12):
        return
    if 1 <= day <= monthrange(whole, month)[1]:
        on = date(whole, month, day)
        yield Day(on.replace(year=whole - 100) if is_short and on > today else on, century_open=is_short)


def century(year: int, today: date) -> int:
    """A year of two digits, as the latest that has begun."""
    whole = today.year // 100 * 100 + year
    return whole if whole <= today.year else whole - 100


def _worded_or_whole(text: str, today: date) -> Iterator[Day]:
    if match := _EIGHT.fullmatch(text):
        yield from _day(match[1], int(match[2]), int(match[3]), today)
    elif match := _YEAR_MONTH.fullmatch(text):
        yield from _month(int(match[1]), int(match[2]))
    elif match := _MONTH_YEAR.fullmatch(text):
        yield from _month(int(match[2]), int(match[1]))
    elif text.isdecimal() and len(text) == 4 and EARLIEST_YEAR <= int(text) <= today.year:
        yield Day(date(int(text), 1, 1), "year")
    else:
        yield from _worded(text, today)


def _month(year: int, month: int) -> Iterator[Day]:
    if year >= EARLIEST_YEAR and 1 <= month <= 12:
        yield Day(date(year, month, 1), "month")


def _worded(text: str, today: date) -> Iterator[Day]:
    """ "3-Apr-2021", "3. April 2021", "April 3rd, 2021", "3 de abril de 2021", "April 2021"."""
    words = [
        word for word in re.sub(r"(?<=\d)(st|nd|rd|th|er)\b", "", folded(text)).split() if word not in _OF
    ]
    months = [word for word in words if word in MONTHS]
    numbers = [word for word in words if word.isdecimal()]
    if len(months) != 1 or len(words) != len(numbers) + 1:
        return
    month = MONTHS[months[0]]
    if len(numbers) == 1 and len(numbers[0]) == 4:
        yield from _month(int(numbers[0]), month)
    if len(numbers) == 2:
        day, year = numbers if len(numbers[0]) <= 2 else reversed(numbers)
        if len(year) in (2, 4):
            yield from _day(year, month, int(day), today)


def _sane(day: date) -> date:
    if day.year < EARLIEST_YEAR:
        raise Unclear(f"is of the year {day.year}.", "Correct the year.")
    return day


def _refusal(text: str, order: DateOrder, today: date) -> Unclear:
    bare = re.sub(
        r"^\W*(ca|circa|c|approx|about|around|etwa|um|vers|env|environ|hacia|aprox|~)\b\.?|^[~<>]", "", text
    )
    if bare != text or text.endswith("?"):
        return Unclear("is no exact date.", "Enter the date itself, or leave the cell empty.")
    if order and any(readings(text, today)):
        return Unclear(
            "does not fit the order of day and month said of its column.",
            "Write it in that order, or with the month by name.",
        )
    if _THREE.fullmatch(text) or _EIGHT.fullmatch(text):
        return Unclear("is no day of the calendar.", "Correct the day, month or year.")
    return Unclear("is no date.", "Enter day, month and year, such as 2021-04-03.")
