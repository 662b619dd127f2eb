"""Restricted means: the area under the curve, its error, and how two differ."""

from fractions import Fraction
from math import erfc, isclose, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.estimators.restricted_mean import RestrictedMean, restricted_mean, restricted_mean_difference
from tests.outcomes.estimators import exact
from tests.outcomes.estimators.exact import Row, any_row, columns, near

anything = settings(deadline=None, derandomize=True, max_examples=60)

ROWS = st.lists(any_row(late=False), min_size=1, max_size=12)
CLUSTERED = st.lists(any_row(patients="pqr"), min_size=2, max_size=8)


def mean_of(rows: list[Row], tau: float | None = None) -> RestrictedMean:
    return restricted_mean(*columns(rows, "time", "failed", "n"), tau=tau)


def reachable(rows: list[Row], tau: int) -> int:
    """`tau`, or the last time where nothing is known past it."""
    last, share = max(exact.survival(rows).items())
    return min(tau, last) if share else tau


@anything
@given(ROWS, st.integers(1, 20))
def test_is_the_area_with_the_error_of_its_formula(rows: list[Row], tau: int) -> None:
    tau = reachable(rows, tau)
    if not tau:
        return
    curve, variance = exact.survival(rows), Fraction(0)
    whole = exact.area(curve, tau)
    for day in (day for day in curve if day < tau):
        n = sum(row.n for row in rows if row.at_risk(day))
        failing = sum(row.n for row in rows if row.failed and row.time == day)
        if n > failing:
            variance += (whole - exact.area(curve, day)) ** 2 * Fraction(failing, n * (n - failing))
    result = mean_of(rows, tau)
    assert near([result.estimate, result.std_error], [float(whole), sqrt(variance)])
    reach = 1.959963984540054 * sqrt(variance)
    assert near([result.lower, result.upper], [float(whole) - reach, float(whole) + reach])


@anything
@given(CLUSTERED, st.integers(1, 20))
def test_with_patients_as_clusters_it_is_the_jackknife(rows: list[Row], tau: int) -> None:
    tau = reachable(rows, tau)
    alone = sum(row.n for row in rows if row.patient is None)
    if not tau or len({row.patient for row in rows if row.patient}) + alone < 2:
        return
    time, failed, n, entry, patient = columns(rows, "time", "failed", "n", "entry", "patient")
    result = restricted_mean(time, failed, n, tau=tau, entry=entry, cluster=patient)
    expected = exact.jackknife_error(rows, lambda weights: exact.area(exact.survival(rows, weights), tau))
    assert near([result.std_error], [expected])
    assert result.robust


@anything
@given(st.lists(st.integers(0, 30), min_size=1, max_size=30), st.integers(1, 30))
def test_without_censoring_it_is_a_plain_mean(times: list[int], tau: int) -> None:
    result = restricted_mean(times, [1] * len(times), tau=tau)
    cut = np.minimum(times, tau)
    assert near([result.estimate, result.std_error], [cut.mean(), cut.std() / sqrt(len(times))])
    assert (result.n, result.events) == (len(times), sum(time <= tau for time in times))


@anything
@given(ROWS)
def test_a_weight_is_that_many_rows_alike_and_the_unit_of_time_only_stretches(rows: list[Row]) -> None:
    time, failed, n = columns(rows, "time", "failed", "n")
    result = mean_of(rows)
    assert restricted_mean(np.repeat(time, n), np.repeat(failed, n)) == result
    stretched = restricted_mean([24.0 * day for day in time], failed, n)
    for name in ("tau", "estimate", "std_error", "lower", "upper"):
        assert isclose(getattr(stretched, name), 24 * getattr(result, name), rel_tol=1e-9, abs_tol=1e-9)


def test_the_horizon_is_the_last_time_unless_given() -> None:
    assert restricted_mean([1, 4], [1, 0]).tau == 4
    assert restricted_mean([1, 4], [1, 0], tau=2.5) == restricted_mean([1, 2.5], [1, 0], tau=2.5)
    # All failed: past the last time nobody adds anything.
    assert restricted_mean([1, 3], [1, 1], tau=50).estimate == 2


def test_without_failure_everybody_lasts_to_the_horizon() -> None:
    result = restricted_mean([5, 7], [0, 0])
    assert (result.estimate, result.std_error, result.lower, result.upper) == (7, 0, 7, 7)


def test_few_at_the_horizon_caution() -> None:
    result = restricted_mean(range(1, 30), [1] * 29, tau=25)
    assert [caution.code for caution in result.cautions] == ["few_at_risk"]
    assert not restricted_mean(range(1, 30), [1] * 29, tau=5).cautions


def test_difference_of_two_groups() -> None:
    a, b = (
        restricted_mean([2, 4, 6, 9], [1, 1, 1, 0], tau=8),
        restricted_mean([1, 2, 5, 9], [1, 1, 1, 0], tau=8),
    )
    result = restricted_mean_difference(a, b)
    assert result.estimate == a.estimate - b.estimate == 1
    error = sqrt(a.std_error**2 + b.std_error**2)
    assert near([result.std_error, result.z], [error, 1 / error])
    assert near([result.p], [erfc(1 / error / sqrt(2))])
    assert (result.n, result.events, result.tau) == (8, 6, 8)
    back = restricted_mean_difference(b, a)
    assert (back.estimate, back.lower, back.p) == (-1, -result.upper, result.p)


def test_without_failure_a_difference_has_no_test() -> None:
    a, b = restricted_mean([5], [0]), restricted_mean([5], [0])
    result = restricted_mean_difference(a, b)
    assert (result.estimate, result.std_error, result.z, result.p) == (0, 0, None, None)


def test_one_patient_alone_gives_no_error() -> None:
    alone = restricted_mean([2, 5, 6], [1, 1, 0], cluster=["p"] * 3, tau=5)
    assert (alone.std_error, alone.lower, alone.upper) == (None, None, None)
    assert restricted_mean_difference(alone, restricted_mean([2, 5], [1, 0], tau=5)).p is None


@pytest.mark.parametrize(
    ("tau", "message"),
    [
        (5, r"tau is 5\.0: it must be no more than the last time, 4\.0, since nothing is known past it"),
        (0, "tau is 0: it must be finite and above 0"),
        (float("nan"), "tau is nan: it must be finite"),
    ],
)
def test_says_what_is_wrong_with_a_horizon(tau: float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        restricted_mean([1, 4], [1, 0], tau=tau)


def test_a_difference_needs_one_horizon() -> None:
    with pytest.raises(ValueError, match=r"tau is 4\.0 in a and 3\.0 in b: it must be the same"):
        restricted_mean_difference(restricted_mean([4], [0]), restricted_mean([3], [0]))
