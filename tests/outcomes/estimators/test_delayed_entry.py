"""Repairs entered late count only after their entry: in the curve, at landmarks and in the log-rank test."""

from dataclasses import replace
from fractions import Fraction
from math import sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.estimators.comparison import log_rank
from outcomes.estimators.survival import SurvivalCurve, kaplan_meier
from tests.outcomes.estimators import exact
from tests.outcomes.estimators.exact import Row, any_row, columns, near

anything = settings(deadline=None, derandomize=True, max_examples=60)

ROWS = st.lists(any_row(groups="ab"), min_size=1, max_size=15)


def curve_of(rows: list[Row], **options: Any) -> SurvivalCurve:
    time, failed, n, entry = columns(rows, "time", "failed", "n", "entry")
    return kaplan_meier(time, failed, n, entry=entry, **options)


@anything
@given(ROWS)
def test_is_the_product_limit_over_those_at_risk(rows: list[Row]) -> None:
    curve, expected = curve_of(rows), exact.survival(rows)
    assert curve.time == tuple(expected)
    assert near(curve.survival, [float(share) for share in expected.values()])
    for day, at_risk in zip(curve.time, curve.at_risk, strict=True):
        assert at_risk == sum(row.n for row in rows if row.at_risk(int(day)))


@anything
@given(ROWS)
def test_many_days_are_read_as_one_by_one(rows: list[Row]) -> None:
    curve = curve_of(rows)
    days = np.arange(0, curve.time[-1] + 2, 0.5)
    survival, at_risk = curve.course(days)
    one_by_one = [curve.at(day) for day in days]
    assert at_risk.tolist() == [point.at_risk for point in one_by_one]
    assert [None if np.isnan(share) else share for share in survival] == [
        point.survival for point in one_by_one
    ]


@anything
@given(ROWS)
def test_greenwoods_error_uses_the_entries(rows: list[Row]) -> None:
    curve, log_variance = curve_of(rows), Fraction(0)
    for place, (n, failing) in enumerate(zip(curve.at_risk, curve.events_at, strict=True)):
        if curve.survival[place] == 0:
            assert curve.std_error[place] is None
        else:
            log_variance += Fraction(failing, n * (n - failing))
            assert near([curve.std_error[place]], [curve.survival[place] * sqrt(log_variance)])


@anything
@given(ROWS, st.integers(0, 16))
def test_counts_those_at_risk_on_any_day(rows: list[Row], day: int) -> None:
    curve = curve_of(rows, at=(day,))
    assert curve.landmarks[0].at_risk == sum(row.n for row in rows if row.at_risk(day))
    assert curve.n == sum(row.n for row in rows)
    assert curve.person_time == sum(row.n * (row.time - (row.entry or 0)) for row in rows)


@anything
@given(ROWS)
def test_an_entry_of_0_is_no_delay(rows: list[Row]) -> None:
    time, failed, n = columns(rows, "time", "failed", "n")
    assert kaplan_meier(time, failed, n, entry=[0] * len(rows)) == kaplan_meier(time, failed, n)


@anything
@given(ROWS)
def test_a_weight_is_that_many_rows_alike(rows: list[Row]) -> None:
    assert curve_of([replace(row, n=1) for row in rows for _ in range(row.n)]) == curve_of(rows)


@anything
@given(ROWS)
def test_log_rank_counts_only_those_at_risk(rows: list[Row]) -> None:
    time, failed, group, n, entry = columns(rows, "time", "failed", "group", "n", "entry")
    difference, variance = exact.mantel(rows, lambda name: int(name == "a"))
    result = log_rank(time, failed, group, n, entry=entry)
    if not variance:
        assert result is None
    else:
        assert result is not None
        assert near([result.statistic], [float(difference**2 / variance)])
        assert near([result.groups["a"].observed - result.groups["a"].expected], [float(difference)])


def test_a_curve_that_came_down_to_0_early_stays_there() -> None:
    # One at risk until day 5, and it fails on day 2.
    curve = kaplan_meier([2, 10, 12], [1, 1, 0], entry=[0, 5, 5], at=(4, 8, 11))
    assert curve.at_risk == (1, 2, 1)
    assert [landmark.survival for landmark in curve.landmarks] == [0, 0, 0]
    assert [landmark.at_risk for landmark in curve.landmarks] == [0, 2, 1]
    assert set(curve.std_error) == {None}


def test_few_at_the_first_failure_caution() -> None:
    time, failed = range(10, 40), [1] * 30
    late = kaplan_meier(time, failed, entry=[0, 0, *[11] * 28], at=(15,))
    assert [caution.code for caution in late.cautions] == ["few_at_first_failure"]
    assert "only after their entry" in late.method
    assert "left truncation" in late.reference
    assert not kaplan_meier(time, failed, at=(15,)).cautions


def test_a_failure_on_the_day_of_repair_counts() -> None:
    curve = kaplan_meier([0, 10, 20], [1, 1, 0], entry=[0, 0, 5], at=(0, 10))
    assert (curve.time, curve.at_risk) == ((0, 10, 20), (2, 2, 1))
    assert curve.survival == (0.5, 0.25, 0.25)


def test_times_and_entries_a_rounding_apart_are_tied() -> None:
    # Ages as years plus months over 12: the same age can come out a last digit apart.
    months = [
        (12 * start, 12 * start + followed) for start in range(40, 90, 10) for followed in range(1, 300)
    ]
    years = [(start / 12, start / 12 + (end - start) / 12) for start, end in months]
    failed, group = [end % 3 == 0 for _, end in months], [end % 2 for _, end in months]
    exactly, roughly = (
        kaplan_meier([end for _, end in rows], failed, entry=[start for start, _ in rows], at=())
        for rows in (months, years)
    )
    assert len({end for _, end in years}) > len(exactly.time)
    for name in ("at_risk", "events_at", "survival", "std_error"):
        assert getattr(roughly, name) == getattr(exactly, name)
    tests = [
        log_rank([end for _, end in rows], failed, group, entry=[start for start, _ in rows])
        for rows in (months, years)
    ]
    assert tests[0] == tests[1]


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        (
            [0, 2],
            r"entry\[1\] is 2.0: it must be before time\[1\], 2.0, since nobody is at risk before entry",
        ),
        ([0, 3], r"entry\[1\] is 3.0: it must be before time\[1\], 2.0"),
        ([-1, 0], r"entry\[0\] is -1.0: an entry must be a finite number, 0 or more; correct it"),
        ([None, 0], r"entry\[0\] is nan: an entry must be a finite number"),
        ([0], "entry has 1 values, time has 2: give one of each for every row"),
    ],
)
def test_says_what_is_wrong_with_an_entry(entry: list[float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        kaplan_meier([1, 2], [1, 1], entry=entry)
