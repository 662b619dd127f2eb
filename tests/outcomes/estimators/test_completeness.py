"""Clark's completeness from the days of each repair: what counts as observed, and what could have been."""

from datetime import date, datetime, timedelta
from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.estimators.follow_up import Completeness, clark_completeness

anything = settings(deadline=None, derandomize=True, max_examples=60)

CLOSE = 100
Case = tuple[int, int, int | None, int]  # start, days to last known, days to failure, repairs
CASES = st.lists(
    st.tuples(st.integers(0, CLOSE), st.integers(0, 120), st.none() | st.integers(0, 120), st.integers(0, 3)),
    min_size=1,
    max_size=20,
)


def completeness_of(cases: list[Case], as_day: Any = float, **options: Any) -> Completeness:
    start, last, failed_on = (
        [as_day(begun) for begun, *_ in cases],
        [as_day(begun + days) for begun, days, _, _ in cases],
        [None if days is None else as_day(begun + days) for begun, _, days, _ in cases],
    )
    return clark_completeness(
        start, last, failed_on, as_day(CLOSE), weights=[n for *_, n in cases], **options
    )


def day(number: int) -> date:
    return date(2020, 1, 1) + timedelta(days=number)


@anything
@given(CASES, st.none() | st.integers(1, 150))
def test_sums_days_observed_and_days_possible(cases: list[Case], horizon: int | None) -> None:
    observed = potential = events = lost = 0
    for start, last, failure, n in cases:
        failed = failure is not None and start + failure <= CLOSE
        seen = failure if failed else min(last, CLOSE - start)
        possible = seen if failed else CLOSE - start
        observed += n * min(seen, horizon or seen)
        potential += n * min(possible, horizon or possible)
        events += n * (failed and seen <= (horizon or seen))
        lost += n * (min(seen, horizon or seen) < min(possible, horizon or possible))
    result = completeness_of(cases, horizon=horizon)
    assert (result.observed_days, result.potential_days) == (observed, potential)
    assert (result.n, result.events, result.lost) == (sum(n for *_, n in cases), events, lost)
    assert result.completeness == (observed / potential if potential else None)


@anything
@given(CASES, st.sampled_from([day, lambda n: day(n).isoformat(), lambda n: pd.Timestamp(day(n))]))
def test_dates_text_and_numbers_say_the_same(cases: list[Case], as_day: Any) -> None:
    assert completeness_of(cases, as_day) == completeness_of(cases)


@anything
@given(CASES)
def test_a_weight_is_that_many_rows_alike(cases: list[Case]) -> None:
    repeated = [(*case[:3], 1) for case in cases for _ in range(case[3])]
    if repeated:
        assert completeness_of(repeated) == completeness_of(cases)


def test_incomplete_follow_up_caution() -> None:
    assert [caution.code for caution in completeness_of([(0, 50, None, 1)]).cautions] == [
        "incomplete_follow_up"
    ]
    assert not completeness_of([(0, 90, None, 1)]).cautions


def test_a_failure_needs_no_day_last_known() -> None:
    assert clark_completeness([0], [None], [40], CLOSE).completeness == 1


def test_a_failure_after_the_close_is_not_known_yet() -> None:
    result = clark_completeness([0], [130], [120], CLOSE)
    assert (result.observed_days, result.potential_days, result.events) == (CLOSE, CLOSE, 0)


def test_parts_of_a_day_count() -> None:
    result = clark_completeness([day(0)], [datetime(2020, 1, 2, 12)], [None], day(3))
    assert (result.observed_days, result.potential_days) == (1.5, 3)


@pytest.mark.parametrize(
    ("columns", "close", "message"),
    [
        (([None], [5], [None]), 9, r"start\[0\] is missing: every repair has its day"),
        (([10], [12], [None]), 9, r"start\[0\] is after close: leave out"),
        (([1, 1], [3, None], [None, None]), 9, r"last\[1\] is missing: without failure it must be known"),
        (([4], [3], [None]), 9, r"last\[0\] is before start\[0\]"),
        (([4], [9], [2]), 9, r"failed_on\[0\] is before start\[0\]"),
        (([4], [9, 9], [2]), 9, "last has 2 values, start has 1"),
        (
            (["2020-01-01"], ["2020-02-30"], [None]),
            "2021-01-01",
            r"last\[0\] is 2020-02-30: it must be a date",
        ),
        (
            (["2020-01-01"], [5], [None]),
            "2021-01-01",
            "start holds dates and last numbers: they must be alike",
        ),
    ],
)
def test_says_what_is_wrong_with_a_day(columns: tuple[Any, ...], close: Any, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        clark_completeness(*columns, close)


def test_a_horizon_is_above_0() -> None:
    with pytest.raises(ValueError, match="horizon is 0: it must be finite and above 0"):
        clark_completeness([0], [5], [None], 9, horizon=0)
