"""Quarters: which one a day falls in, and how they are counted across a new year."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.rules.quarter import Quarter, up_to


@pytest.mark.parametrize(
    ("day", "told"),
    [
        (date(2024, 1, 1), "2024 Q1"),
        (date(2024, 3, 31), "2024 Q1"),
        (date(2024, 4, 1), "2024 Q2"),
        (date(2024, 12, 31), "2024 Q4"),
    ],
)
def test_the_quarter_of_a_day(day: date, told: str) -> None:
    assert str(Quarter.of(day)) == told


def test_eight_quarters_go_back_over_two_years() -> None:
    assert [each.code for each in up_to(Quarter(2024, 1), 5)] == [
        "2023-Q1", "2023-Q2", "2023-Q3", "2023-Q4", "2024-Q1",
    ]  # fmt: skip


@given(st.dates(min_value=date(1950, 1, 1), max_value=date(2150, 1, 1)))
def test_a_quarter_begins_on_its_first_day_and_ends_before_the_next(day: date) -> None:
    quarter = Quarter.of(day)
    assert quarter.first_day <= day < quarter.plus(1).first_day
    assert Quarter.of(quarter.first_day) == quarter
    assert Quarter.of(quarter.first_day - timedelta(days=1)) == quarter.plus(-1)
