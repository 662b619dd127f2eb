"""Median follow-up and completeness: what must hold for any data, and at the edges."""

from math import inf, nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.estimators.follow_up import MedianFollowUp, completeness, reverse_kaplan_meier
from outcomes.estimators.survival import Interval, kaplan_meier

anything = settings(deadline=None, derandomize=True, max_examples=60)

ROWS = st.lists(st.tuples(st.integers(0, 40), st.booleans(), st.integers(1, 4)), min_size=1, max_size=30)
DAYS = st.floats(0, 1e9)


def interval_of(median: MedianFollowUp) -> Interval:
    return Interval(median.estimate, median.lower, median.upper)


@anything
@given(ROWS)
def test_is_the_curve_with_failure_and_censoring_changed_over(rows: list[tuple[int, bool, int]]) -> None:
    time, failed, weights = zip(*rows, strict=True)
    reversed_curve = kaplan_meier(time, [not flag for flag in failed], weights)
    assert interval_of(reverse_kaplan_meier(time, failed, weights)) == reversed_curve.median


def test_nobody_failed_so_it_is_the_median_of_the_times() -> None:
    assert reverse_kaplan_meier([50, 10, 40, 20, 30], [0] * 5).estimate == 30


def test_everybody_failed_so_follow_up_is_not_known() -> None:
    assert interval_of(reverse_kaplan_meier([10, 20, 30], [1, 1, 1])) == Interval(None, None, None)


def test_a_failure_on_a_day_of_censoring_is_still_followed_that_day() -> None:
    # R's survfit rule: at day 10 one of three ends follow-up, so the curve is 3/4 x 2/3 = 1/2 until day 20.
    # Taking the failure out first would leave one of two, and a median of 10.
    assert reverse_kaplan_meier([5, 10, 10, 20], [0, 1, 0, 0]).estimate == 15


@pytest.mark.parametrize(
    ("time", "failed", "message"),
    [
        ([-1], [0], r"time\[0\] is -1.0"),
        ([1], [3], r"failed\[0\] is 3.0"),
        ([], [], "time has no row that counts"),
    ],
)
def test_says_what_is_wrong_with_a_column(time: list[int], failed: list[int], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        reverse_kaplan_meier(time, failed)


@given(DAYS, DAYS)
@settings(derandomize=True)
def test_completeness_is_a_share(one: float, other: float) -> None:
    observed, potential = sorted((one, other))
    share = completeness(observed, potential)
    if potential == 0:
        assert share is None
    else:
        assert share is not None
        assert 0 <= share <= 1


def test_completeness_at_its_ends() -> None:
    assert completeness(730, 730) == 1
    assert completeness(0, 730) == 0
    assert completeness(0, 0) is None


@pytest.mark.parametrize(
    ("observed", "potential", "message"),
    [
        (-1, 10, "observed_days is -1: it must be finite and 0 or more"),
        (nan, 10, "observed_days is nan: it must be finite"),
        (1, inf, "potential_days is inf: it must be finite"),
        (11, 10, "observed_days is 11: it must be no more than potential_days, 10"),
    ],
)
def test_completeness_says_what_is_wrong(observed: float, potential: float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        completeness(observed, potential)
