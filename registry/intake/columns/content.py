"""What the values of a column show by themselves: order of dates, unit, decimal sign. Pure."""

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal

from registry.intake.columns import dates, quantities
from registry.intake.columns.mapping import Column, DateOrder
from registry.intake.columns.targets import Target
from registry.intake.columns.unclear import Unclear
from registry.intake.columns.values import says_nothing
from registry.intake.columns.words import typed
from registry.intake.file.sheet import Value

_AS_MANY = 0.8  # a typing error or two must not settle the unit
Counts = Sequence[tuple[Value, int]]  # each different value of a column with how often it stands there


def certain_orders(values: Counts, today: date) -> Counter[DateOrder]:
    """How many cells are a day in one order alone, by that order."""
    certain: Counter[DateOrder] = Counter()
    for value, count in values:
        orders = _orders(value, today)
        if len(orders) == 1:
            certain[next(iter(orders))] += count
    return certain


def date_order(values: Counts, today: date) -> DateOrder:
    """The order that most of the certain cells have; unsaid where none is certain, or two have as many."""
    leading = certain_orders(values, today).most_common(2)
    if not leading or (len(leading) > 1 and leading[0][1] == leading[1][1]):
        return DateOrder.UNSAID
    return leading[0][0]


def two_readings(values: Counts, today: date) -> list[tuple[str, int]]:
    """The cells that are one day in one order and another in another."""
    return [(typed(value), count) for value, count in values if len(_orders(value, today)) > 1]


def _orders(value: Value, today: date) -> frozenset[DateOrder]:
    return dates.orders_of(value, today) if isinstance(value, str) else frozenset()


def is_a_date(value: Value, today: date) -> bool:
    """Whether a value can be read as a date at all."""
    if isinstance(value, date):
        return True
    if isinstance(value, bool) or dates.is_counted(value):
        return not isinstance(value, bool)
    return any(True for _ in dates.readings(dates.without_time(typed(value)), today))


def counted_days(values: Counts) -> list[tuple[str, int]]:
    """The cells that spreadsheets would count days by."""
    return [(typed(value), count) for value, count in values if dates.is_counted(value)]


def units_that_fit(values: Counts, target: Target) -> tuple[str, ...]:
    """The units in which about as many numbers of the column are possible as in any, its own first."""
    numbers = list(_unitless(values, target))
    if not numbers:
        return quantities.units_of(target)[:1]
    fitting = {unit: _fitting(numbers, target, unit) for unit in quantities.units_of(target)}
    return tuple(
        unit for unit, number in fitting.items() if number and number >= _AS_MANY * max(fitting.values())
    )


def _fitting(numbers: Iterable[Iterable[Decimal]], target: Target, unit: str) -> int:
    """How many of the numbers lie within the target's limits in a unit."""
    factor = quantities.factor(target, unit)
    return sum(
        any(quantities.fits(target, (reading * factor).quantize(Decimal("1e-9"))) for reading in readings)
        for readings in numbers
    )


def _unitless(values: Counts, target: Target) -> Iterable[list[Decimal]]:
    for value, _ in values:
        if says_nothing(value, target):
            continue
        try:
            readings, unit = quantities.readings(value)
        except Unclear:
            continue
        if not unit:
            yield list(readings.values())


def decimal_sign(values: Counts) -> str:
    """The decimal sign of those cells that have one for certain, "" where none has or they differ."""
    signs = {sign for value, _ in values for sign in _certain_sign(value)}
    return signs.pop() if len(signs) == 1 else ""


def _certain_sign(value: Value) -> set[str]:
    try:
        readings, _ = quantities.readings(value)
    except Unclear:
        return set()
    return set(readings) - {""} if len(readings) == 1 and "" not in readings else set()


def two_numbers(values: Counts, target: Target, column: Column) -> list[tuple[str, int]]:
    """The cells that are two numbers, both possible, while nobody said the decimal sign."""
    found = []
    for value, count in values:
        try:
            quantities.read(value, target, column.unit, column.decimal)
        except quantities.TwoNumbers:
            found.append((typed(value), count))
        except Unclear:
            continue
    return found
