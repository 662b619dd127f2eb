"""What the Kaplan-Meier curve must do for any data, and at the edges of it."""

from fractions import Fraction
from itertools import pairwise
from math import floor, nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.estimators.survival import LANDMARK_DAYS, Interval, Landmark, SurvivalCurve, kaplan_meier

anything = settings(deadline=None, derandomize=True, max_examples=60)

Row = tuple[int, bool, int]  # day, failed, repairs
ROW = st.tuples(st.integers(0, 40), st.booleans(), st.integers(1, 4))
ROWS = st.lists(ROW, min_size=1, max_size=30)


def curve_of(rows: list[Row]) -> SurvivalCurve:
    time, failed, weights = zip(*rows, strict=True)
    return kaplan_meier(time, failed, weights, at=(10, 20))


def product_limit(rows: list[Row]) -> list[tuple[int, Fraction, Fraction | None]]:
    """Day, survival and Greenwood's variance, in exact fractions from the formulas of Kaplan & Meier 1958."""
    survival, log_variance, table = Fraction(1), Fraction(0), []
    for day in sorted({day for day, _, _ in rows}):
        at_risk = sum(n for time, _, n in rows if time >= day)
        failing = sum(n for time, failed, n in rows if time == day and failed)
        survival *= 1 - Fraction(failing, at_risk)
        if survival:
            log_variance += Fraction(failing, at_risk * (at_risk - failing))
        table.append((day, survival, survival**2 * log_variance if survival else None))
    return table


@anything
@given(ROWS)
def test_is_the_product_limit_with_greenwood_variance(rows: list[Row]) -> None:
    curve, exact = curve_of(rows), product_limit(rows)
    assert curve.time == tuple(day for day, _, _ in exact)
    assert curve.survival == pytest.approx([float(survival) for _, survival, _ in exact], rel=1e-9, abs=0)
    for std_error, (_, _, variance) in zip(curve.std_error, exact, strict=True):
        assert std_error == (
            variance if variance is None else pytest.approx(float(variance) ** 0.5, rel=1e-9)
        )


@anything
@given(ROWS)
def test_lies_between_0_and_1_inside_its_limits_and_never_rises(rows: list[Row]) -> None:
    curve = curve_of(rows)
    assert all(0 <= survival <= 1 for survival in curve.survival)
    assert all(later <= earlier for earlier, later in pairwise(curve.survival))
    for survival, lower, upper in zip(curve.survival, curve.lower, curve.upper, strict=True):
        if survival in (0, 1):
            assert lower is upper is None
        else:
            assert lower is not None
            assert upper is not None
            assert 0 <= lower <= survival <= upper <= 1


@anything
@given(ROWS)
def test_everybody_is_accounted_for(rows: list[Row]) -> None:
    curve = curve_of(rows)
    assert curve.n == sum(n for _, _, n in rows) == curve.at_risk[0]
    assert curve.events == sum(curve.events_at) == sum(n for _, failed, n in rows if failed)
    assert sum(curve.events_at) + sum(curve.censored_at) == curve.n
    assert curve.person_time == sum(day * n for day, _, n in rows)


@anything
@given(st.data(), ROWS)
def test_order_of_rows_is_of_no_account(data: st.DataObject, rows: list[Row]) -> None:
    assert curve_of(data.draw(st.permutations(rows))) == curve_of(rows)


@anything
@given(ROWS)
def test_a_weight_is_that_many_rows_alike(rows: list[Row]) -> None:
    repeated = [(day, failed) for day, failed, n in rows for _ in range(n)]
    time, failed = zip(*repeated, strict=True)
    assert kaplan_meier(time, failed, at=(10, 20)) == curve_of(rows)


@anything
@given(ROWS, ROWS)
def test_rows_of_weight_0_count_for_nothing(rows: list[Row], empty: list[Row]) -> None:
    assert curve_of([*((day, failed, 0) for day, failed, _ in empty), *rows]) == curve_of(rows)


@anything
@given(ROWS, st.sampled_from([1 / 30.4375, 1 / 365.25, 24.0]))
def test_the_unit_of_time_only_stretches_the_axis(rows: list[Row], unit: float) -> None:
    time, failed, weights = zip(*rows, strict=True)
    days = kaplan_meier(time, failed, weights)
    other = kaplan_meier([day * unit for day in time], failed, weights)
    for name in ("at_risk", "events_at", "censored_at", "survival", "std_error", "lower", "upper"):
        assert getattr(other, name) == getattr(days, name)
    assert other.time == pytest.approx([day * unit for day in days.time])
    assert other.person_time == pytest.approx(days.person_time * unit)
    for name in ("estimate", "lower", "upper"):
        limit = getattr(days.median, name)
        assert getattr(other.median, name) == (limit if limit is None else pytest.approx(limit * unit))


@anything
@given(ROWS, st.integers(0, 45))
def test_reads_the_curve_at_any_day(rows: list[Row], day: int) -> None:
    curve = curve_of(rows)
    at = curve.at(day)
    assert at.day == day
    assert at.at_risk == sum(n for time, _, n in rows if time >= day)
    until = [survival for time, survival in zip(curve.time, curve.survival, strict=True) if time <= day]
    if day > curve.time[-1]:
        assert at == Landmark(day, None, None, None, 0)
    elif until:
        assert at.survival == until[-1]
    else:
        assert (at.survival, at.lower, at.upper) == (1, 1, 1)


@anything
@given(st.lists(st.tuples(st.integers(0, 40), st.just(True), st.integers(1, 4)), min_size=1, max_size=30))
def test_without_censoring_it_is_the_share_still_standing(rows: list[Row]) -> None:
    curve = curve_of(rows)
    standing = [sum(n for time, _, n in rows if time > day) / curve.n for day in curve.time]
    assert curve.survival == pytest.approx(standing, rel=1e-9, abs=0)
    assert curve.survival[-1] == 0
    assert curve.median.estimate is not None


@anything
@given(st.lists(st.tuples(st.integers(0, 40), st.just(False), st.integers(1, 4)), min_size=1, max_size=30))
def test_without_failure_it_stays_at_1_and_claims_no_limits(rows: list[Row]) -> None:
    curve = curve_of(rows)
    assert (curve.events, set(curve.survival), set(curve.std_error)) == (0, {1}, {0})
    assert {*curve.lower, *curve.upper} == {None}
    assert curve.median == Interval(None, None, None)


@anything
@given(ROWS)
def test_the_median_is_where_the_curve_comes_down_to_one_half(rows: list[Row]) -> None:
    exact = product_limit(rows)
    at_or_below = [day for day, survival, _ in exact if survival <= Fraction(1, 2)]
    below = [day for day, survival, _ in exact if survival < Fraction(1, 2)]
    level = [day for day, survival, _ in exact if survival == Fraction(1, 2)]
    estimate = curve_of(rows).median.estimate
    if not at_or_below:
        assert estimate is None
    elif not level:
        assert estimate == below[0]
    else:
        assert estimate == (level[0] + (below[0] if below else exact[-1][0])) / 2


@pytest.mark.parametrize(
    ("time", "failed", "median"),
    [
        # At one half from day 2 to day 3: the middle.
        ([1, 2, 3, 4], [1, 1, 1, 1], 2.5),
        # A censoring on the level stretch does not end it.
        ([1, 1, 5, 9], [1, 1, 0, 1], 5),
        # At one half to the end: the middle up to the last time, as R's quantile.survfit is written (its
        # print.survfit would say 1).
        ([1, 5], [1, 0], 3),
        # S = 0.5 comes out of the logarithms as 0.5 plus rounding; it still counts as one half.
        (range(1, 101), [1] * 100, 50.5),
    ],
)
def test_median_where_the_curve_lies_on_one_half(time: list[int], failed: list[int], median: float) -> None:
    assert kaplan_meier(time, failed).median.estimate == median


def test_a_single_failure() -> None:
    curve = kaplan_meier([100], [True], at=(50, 100, 101))
    assert (curve.n, curve.survival, curve.std_error, curve.lower) == (1, (0,), (None,), (None,))
    assert curve.median == Interval(100, None, None)
    assert curve.landmarks == (
        Landmark(50, 1, 1, 1, 1),
        Landmark(100, 0, None, None, 1),
        Landmark(101, None, None, None, 0),
    )


def test_a_single_censoring() -> None:
    curve = kaplan_meier([100], [False], at=(100,))
    assert (curve.n, curve.events, curve.survival) == (1, 0, (1,))
    assert curve.landmarks == (Landmark(100, 1, None, None, 1),)


def test_all_on_one_day_failures_come_before_censorings() -> None:
    curve = kaplan_meier([30, 30, 30, 30], [True, False, False, True])
    assert (curve.time, curve.at_risk, curve.events_at, curve.censored_at) == ((30,), (4,), (2,), (2,))
    assert curve.survival == pytest.approx((0.5,))


def test_failures_on_the_day_of_repair() -> None:
    curve = kaplan_meier([0, 0, 10, 20], [True, False, True, False], at=(0, 5))
    assert (curve.time, curve.at_risk) == ((0, 10, 20), (4, 2, 1))
    assert curve.survival == pytest.approx((0.75, 0.375, 0.375))
    assert [landmark.survival for landmark in curve.landmarks] == pytest.approx([0.75, 0.75])
    assert [landmark.at_risk for landmark in curve.landmarks] == [4, 2]


def test_all_fail_on_the_day_of_repair() -> None:
    curve = kaplan_meier([0, 0], [True, True])
    assert (curve.time, curve.survival, curve.median.estimate, curve.person_time) == ((0,), (0,), 0, 0)


def test_day_0_is_no_time_of_the_curve_when_nobody_left_on_it() -> None:
    assert kaplan_meier([5], [True]).time == (5,)


def test_landmarks_are_whole_years_in_days() -> None:
    assert list(LANDMARK_DAYS.items()) == [(years, floor(365.25 * years)) for years in (1, 2, 5)]
    assert [landmark.day for landmark in kaplan_meier([1], [False]).landmarks] == [365, 730, 1826]


def test_a_million_repairs_keep_whole_counts() -> None:
    curve = kaplan_meier([100, 200, 300], [True, True, False], [400_000, 100_000, 500_000])
    assert (curve.n, curve.at_risk) == (1_000_000, (1_000_000, 600_000, 500_000))
    assert curve.survival == pytest.approx((0.6, 0.5, 0.5), rel=1e-9)


def test_results_are_plain_numbers() -> None:
    curve = kaplan_meier(np.array([1, 2, 3]), np.array([True, False, True]), np.array([2, 2, 2]), at=(2,))
    assert type(curve.n) is type(curve.events) is int
    for name, kind in (("time", float), ("at_risk", int), ("events_at", int), ("censored_at", int)):
        assert {type(value) for value in getattr(curve, name)} == {kind}
    for name in ("survival", "std_error", "lower", "upper"):
        assert {type(value) for value in getattr(curve, name)} <= {float, type(None)}
    assert type(curve.person_time) is type(curve.median.estimate) is type(curve.landmarks[0].day) is float


def test_leaves_the_warnings_of_numpy_as_they_were() -> None:
    with np.errstate(divide="raise", invalid="raise"):
        kaplan_meier([1, 2], [True, True])
        assert (np.geterr()["divide"], np.geterr()["invalid"]) == ("raise", "raise")


@pytest.mark.parametrize(
    ("time", "failed", "weights", "message"),
    [
        ([1, -2], [1, 0], None, r"time\[1\] is -2.0: a time must be a finite number, 0 or more"),
        ([1, nan], [1, 0], None, r"time\[1\] is nan: a time must be"),
        ([float("inf"), 1], [1, 0], None, r"time\[0\] is inf: a time must be"),
        (["ten"], [1], None, r"time must hold numbers only: .*'ten'"),
        ([None], [1], None, r"time\[0\] is nan: a time must be"),
        ([[1, 2]], [1, 0], None, "time has 2 dimensions: give one value for each row"),
        ([1, 2], [1], None, "failed has 1 values, time has 2: give one of each for every row"),
        ([1, 2], [1, 2], None, r"failed\[1\] is 2.0: it must be 1 \(failed\) or 0 \(censored\)"),
        ([1, 2], [1, nan], None, r"failed\[1\] is nan: it must be 1"),
        ([1, 2], [1, 0], [1], "weights has 1 values, time has 2"),
        ([1, 2], [1, 0], [1, -1], r"weights\[1\] is -1.0: a weight must be a whole number, 0 or more"),
        ([1, 2], [1, 0], [1.5, 1], r"weights\[0\] is 1.5: a weight must be a whole number"),
        ([1, 2], [1, 0], [1, float("inf")], r"weights\[1\] is inf: a weight must be a whole number"),
        ([], [], None, "time has no row that counts: give at least one row"),
        ([1], [1], [0], "time has no row that counts: give at least one row"),
    ],
)
def test_says_what_is_wrong_with_a_column(
    time: object, failed: object, weights: object, message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        kaplan_meier(time, failed, weights)  # type: ignore[arg-type]  # wrong on purpose


@pytest.mark.parametrize("day", [-1, nan])
def test_no_day_before_the_repair(day: float) -> None:
    curve = kaplan_meier([1], [True])
    with pytest.raises(ValueError, match=f"day is {day}: it must be 0 or more"):
        curve.at(day)
