"""Dates as people type them: read where they are one day, refused or asked where they are not."""

from datetime import date, datetime, time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.intake.columns.dates import MONTHS, Day, orders_of, read
from registry.intake.columns.mapping import DateOrder
from registry.intake.columns.unclear import Unclear
from registry.intake.file.sheet import Value

pytestmark = pytest.mark.any_engine

BRIEFLY = settings(deadline=None, derandomize=True, max_examples=60)

TODAY = date(2024, 6, 15)
DMY, MDY, YMD = DateOrder.DAY_FIRST, DateOrder.MONTH_FIRST, DateOrder.YEAR_FIRST
DAYS = st.dates(date(1926, 1, 1), TODAY)
WRITTEN = {
    DMY: ("{d}.{m}.{y}", "{d:02}.{m:02}.{y}", "{d}/{m}/{y}", "{d:02}-{m:02}-{y}", "{d}. {m}. {y}"),
    MDY: ("{m}/{d}/{y}", "{m:02}-{d:02}-{y}"),
    YMD: ("{y}-{m:02}-{d:02}", "{y}/{m}/{d}", "{y}.{m:02}.{d:02}"),
}


def day(value: Value, order: DateOrder = DateOrder.UNSAID, epoch: str = "") -> Day:
    return read(value, order, epoch, TODAY)


@BRIEFLY
@given(DAYS, st.sampled_from([(order, way) for order, ways in WRITTEN.items() for way in ways]))
def test_a_day_typed_in_a_known_order_comes_back(on: date, written: tuple[DateOrder, str]) -> None:
    order, way = written
    assert day(way.format(d=on.day, m=on.month, y=on.year), order) == Day(on)


@BRIEFLY
@given(st.dates(date(1925, 1, 1), TODAY), st.sampled_from(["{d}.{m}.{y:02}", "{d:02}/{m:02}/{y:02}"]))
def test_a_year_of_two_digits_is_never_in_the_future(on: date, way: str) -> None:
    found = day(way.format(d=on.day, m=on.month, y=on.year % 100), DMY)
    assert found.on <= TODAY
    assert found.century_open
    assert (found.on.day, found.on.month, found.on.year % 100) == (on.day, on.month, on.year % 100)
    assert TODAY.year - found.on.year <= 100


@BRIEFLY
@given(DAYS, st.sampled_from(sorted(MONTHS)))
def test_a_month_by_name_needs_no_order(on: date, name: str) -> None:
    on = on.replace(month=MONTHS[name], day=min(on.day, 28))
    for way in (
        f"{on.day} {name} {on.year}",
        f"{on.day}-{name.title()}-{on.year}",
        f"{name} {on.day}, {on.year}",
    ):
        assert day(way) == Day(on)


@BRIEFLY
@given(st.text(max_size=12))
def test_any_text_is_a_day_or_is_refused_with_a_mend(text: str) -> None:
    found: Day | Unclear
    try:
        found = day(text)
    except Unclear as refusal:
        found = refusal
    if isinstance(found, Unclear):
        assert (found.rule[-1], found.mend[-1]) == (".", ".")
    else:
        assert found.on.year >= 1900


@pytest.mark.parametrize(
    ("typed", "on"),
    [
        ("2021-04-03", date(2021, 4, 3)),
        ("2021-04-03T08:30:00", date(2021, 4, 3)),
        ("13.04.2021 08:15", date(2021, 4, 13)),
        ("20210403", date(2021, 4, 3)),
        (20210403, date(2021, 4, 3)),
        ("3. März 2021", date(2021, 3, 3)),
        ("3 de abril de 2021", date(2021, 4, 3)),
        ("le 3 avril 2021", date(2021, 4, 3)),
        ("April 3rd, 2021", date(2021, 4, 3)),
        ("3-Apr-21", date(2021, 4, 3)),
        ("13/04/2021", date(2021, 4, 13)),
        ("04/13/2021", date(2021, 4, 13)),
        ("5.5.2021", date(2021, 5, 5)),
        (datetime(2021, 4, 3, 10, 0), date(2021, 4, 3)),
        (date(2021, 4, 3), date(2021, 4, 3)),
    ],
)
def test_what_is_one_day_needs_no_order(typed: Value, on: date) -> None:
    assert day(typed).on == on
    assert day(typed).precision == "day"


@pytest.mark.parametrize("typed", ["3.4.21", "03/04/2021", "1-2-2020", "03.04.2021 10:00"])
def test_what_can_be_two_days_is_refused_until_the_order_is_said(typed: str) -> None:
    with pytest.raises(Unclear, match=r"can be \d{4}-\d\d-\d\d or "):
        day(typed)
    assert day(typed, DMY).on != day(typed, MDY).on


def test_two_digits_in_front_may_be_a_year_only_where_that_is_usual() -> None:
    assert orders_of("21-04-03", TODAY) == {DMY, YMD}
    assert orders_of("21.04.03", TODAY) == {DMY}
    assert day("87-04-03").on == date(1987, 4, 3)
    assert day("21-04-03", YMD).on == date(2021, 4, 3)


@pytest.mark.parametrize(
    ("typed", "rule", "mend"),
    [
        ("31.02.2020", "no day of the calendar", "Correct"),
        ("29.02.2021", "no day of the calendar", "Correct"),
        ("13/13/2021", "no day of the calendar", "Correct"),
        ("20210231", "no day of the calendar", "Correct"),
        ("ca. 2019", "no exact date", "leave the cell empty"),
        ("~2019", "no exact date", "leave the cell empty"),
        ("um 2019", "no exact date", "leave the cell empty"),
        ("2019?", "no exact date", "leave the cell empty"),
        ("summer 2019", "no date", "Enter day, month and year"),
        ("3.4.", "no date", "Enter day, month and year"),
        ("03.04.1021", "no day of the calendar", "Correct"),
        (True, "no date", "Enter the day"),
        (time(8, 30), "no date", "Enter the day"),
        (date(1021, 4, 3), "of the year 1021", "Correct the year"),
        (3.5, "no date", "Enter day, month and year"),
    ],
)
def test_what_is_no_day_is_refused_with_rule_and_mend(typed: Value, rule: str, mend: str) -> None:
    with pytest.raises(Unclear) as refusal:
        day(typed)
    assert rule in refusal.value.rule
    assert mend in refusal.value.mend


def test_a_day_that_does_not_fit_the_order_said_is_refused() -> None:
    with pytest.raises(Unclear, match="does not fit the order"):
        day("04/13/2021", DMY)
    with pytest.raises(Unclear, match="does not fit the order"):
        day("13/04/2021", MDY)
    assert day("2021-04-13", MDY).on == date(2021, 4, 13)


@pytest.mark.parametrize(
    ("typed", "on", "precision"),
    [
        ("April 2021", date(2021, 4, 1), "month"),
        ("04/2021", date(2021, 4, 1), "month"),
        ("2021-04", date(2021, 4, 1), "month"),
        ("2021", date(2021, 1, 1), "year"),
        (2021, date(2021, 1, 1), "year"),
    ],
)
def test_a_month_or_a_year_alone_says_how_exact_it_is(typed: Value, on: date, precision: str) -> None:
    assert day(typed) == Day(on, precision)


# 44289 is 3 April 2021 counted from 1900 (ECMA-376, 18.17.4.1), and 4 years and a day later from 1904.
@pytest.mark.parametrize("typed", [44289, 44289.0, 44289.75, "44289"])
def test_a_number_that_counts_days_is_read_only_once_that_is_said(typed: Value) -> None:
    with pytest.raises(Unclear, match="is a number, not a date"):
        day(typed)
    assert day(typed, epoch="d1900").on == date(2021, 4, 3)
    assert day(typed, epoch="d1904").on == date(2025, 4, 4)


def test_orders_of_a_text() -> None:
    assert orders_of("13/04/2021", TODAY) == {DMY}
    assert orders_of("04/13/2021", TODAY) == {MDY}
    assert orders_of("03/04/2021", TODAY) == {DMY, MDY}
    assert orders_of("05/05/2021", TODAY) == frozenset()
    assert orders_of("2021-04-03", TODAY) == frozenset()
    assert orders_of("31.02.2021", TODAY) == frozenset()
