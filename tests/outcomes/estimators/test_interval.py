"""Turnbull's estimate for any intervals: the conditions of the maximum, Kaplan-Meier, and odd data."""

from itertools import pairwise
from math import inf, log, nan
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.estimators.interval import NonParametricMLE, SurvivalBounds, turnbull
from outcomes.estimators.survival import kaplan_meier

anything = settings(deadline=None, derandomize=True, max_examples=80)

Row = tuple[int, float, int]  # last day intact, first day failed (infinite: not seen to fail), repairs
WIDTHS = st.sampled_from([0, 1, 2, 3, 5, 8, inf])
ROWS = st.lists(
    st.tuples(st.integers(0, 10), WIDTHS, st.integers(1, 4)).map(
        lambda row: (row[0], row[0] + row[1], row[2])
    ),
    min_size=1,
    max_size=14,
)


def fitted(rows: list[Row]) -> NonParametricMLE:
    lower, upper, weights = zip(*rows, strict=True)
    return turnbull(lower, upper, weights)


def contains(row: Row, interval: tuple[float, float]) -> bool:
    """The interval (left, right] or day lies in that of the row."""
    (lower, upper, _), (left, right) = row, interval
    if left == right:  # one day
        return lower < left <= upper or lower == upper == left
    return lower <= left and right <= upper and lower < upper


def points(rows: list[Row]) -> list[tuple[float, float]]:
    """Every single day that is an end, and every stretch between neighbouring ends, infinity the last."""
    ends = sorted({end for lower, upper, _ in rows for end in (lower, upper)} | {inf})
    days = [(end, end) for end in ends if end < inf]
    return days + list(pairwise(ends))


def probability(row: Row, found: NonParametricMLE) -> float:
    """The mass inside the row's interval, from the result alone."""
    return sum(
        mass
        for (left, right), mass in zip(found.intervals, found.mass, strict=True)
        if contains(row, (left, inf if right is None else right))
    )


@anything
@given(ROWS)
def test_no_place_could_take_mass_and_raise_the_likelihood(rows: list[Row]) -> None:
    # Gentleman & Geyer 1994: the slope of the log likelihood is n where mass lies and at most n elsewhere.
    found = fitted(rows)
    n = sum(weight for *_, weight in rows)
    assert found.n == n
    assert found.events == sum(weight for _, upper, weight in rows if upper < inf)
    assert sum(found.mass) == pytest.approx(1, abs=1e-12)
    assert min(found.mass) > 0
    likely = [probability(row, found) for row in rows]
    assert found.log_likelihood == pytest.approx(
        sum(weight * log(p) for (*_, weight), p in zip(rows, likely, strict=True)), abs=1e-9
    )

    def slope(place: tuple[float, float]) -> float:
        return sum(row[2] / p for row, p in zip(rows, likely, strict=True) if contains(row, place)) / n

    assert max(slope(place) for place in points(rows)) <= 1 + 1e-9
    assert [
        slope((left, inf if right is None else right)) for left, right in found.intervals
    ] == pytest.approx([1] * len(found.mass), abs=1e-6)


@anything
@given(ROWS)
def test_exact_days_give_kaplan_meier(rows: list[Row]) -> None:
    exact = [(lower, lower if upper < inf else inf, weight) for lower, upper, weight in rows]
    found = fitted(exact)
    time, failed, weights = (
        [lower for lower, *_ in exact],
        [upper < inf for _, upper, _ in exact],
        [w for *_, w in exact],
    )
    curve = kaplan_meier(time, failed, weights, at=())
    read = [found.at(day) for day in curve.time]
    assert [bounds.upper for bounds in read] == pytest.approx(curve.survival, abs=1e-9)
    assert [bounds.lower for bounds in read] == pytest.approx(curve.survival, abs=1e-9)


@anything
@given(st.data(), ROWS)
def test_order_and_splitting_of_rows_are_of_no_account(data: st.DataObject, rows: list[Row]) -> None:
    one_each = [(lower, upper, 1) for lower, upper, weight in rows for _ in range(weight)]
    assert fitted(data.draw(st.permutations(one_each))) == fitted(rows)


@anything
@given(ROWS)
def test_the_unit_of_time_is_of_no_account(rows: list[Row]) -> None:
    days, years = (
        fitted(rows),
        fitted([(lower / 365.25, upper / 365.25, weight) for lower, upper, weight in rows]),
    )
    assert years.mass == days.mass
    assert years.log_likelihood == days.log_likelihood
    assert years.intervals == tuple(
        (left / 365.25, None if right is None else right / 365.25) for left, right in days.intervals
    )


@anything
@given(ROWS)
def test_bounds_fall_and_meet_outside_the_intervals(rows: list[Row]) -> None:
    found = fitted(rows)
    days = np.arange(0, 25, 0.5)
    bounds = [found.at(day) for day in days]
    for one, next_one in pairwise(bounds):
        assert one.upper >= next_one.upper
        assert one.lower >= next_one.lower
    for day, read in zip(days, bounds, strict=True):
        inside = any(left < day and (right is None or day < right) for left, right in found.intervals)
        assert (read.lower < read.upper) == inside
        assert 0 <= read.lower <= read.upper <= 1


@pytest.mark.parametrize(
    ("lower", "upper", "intervals", "mass"),
    [
        pytest.param([3], [3], ((3.0, 3.0),), (1.0,), id="one exact"),
        pytest.param([0], [9], ((0.0, 9.0),), (1.0,), id="one interval"),
        pytest.param([4, 7], [None, nan], ((7.0, None),), (1.0,), id="none seen to fail"),
        pytest.param([0], [0], ((0.0, 0.0),), (1.0,), id="on day 0"),
        pytest.param([0, 0], [0, 5], ((0.0, 0.0), (0.0, 5.0)), (0.5, 0.5), id="day 0 is not after day 0"),
        pytest.param([5, 5, 5], [5, 5, 5], ((5.0, 5.0),), (1.0,), id="all tied"),
        pytest.param(
            [1, 3], [3, 5], ((1.0, 3.0), (3.0, 5.0)), (0.5, 0.5), id="(1, 3] and (3, 5] do not meet"
        ),
        pytest.param([2, 2], [4, inf], ((2.0, 4.0),), (1.0,), id="censored where an interval begins"),
    ],
)
def test_few_rows(lower: list[Any], upper: list[Any], intervals: Any, mass: Any) -> None:
    found = turnbull(lower, upper)
    assert found.intervals == intervals
    assert found.mass == pytest.approx(mass)


def test_gives_up_in_words() -> None:
    lower, upper = [0, 2, 3, 5, 6, 8], [3, 5, 6, 9, 10, None]
    assert turnbull(lower, upper).iterations > 1
    with pytest.raises(ArithmeticError, match="no maximum in 1 iterations: an interval would still gain"):
        turnbull(lower, upper, most_iterations=1)


def test_reads_a_day() -> None:
    found = turnbull([0, 4], [2, None])
    assert found.at(1) == SurvivalBounds(1.0, 0.5, 1.0)
    assert found.at(3) == SurvivalBounds(3.0, 0.5, 0.5)
    assert found.at(9) == SurvivalBounds(9.0, 0.0, 0.5)
    with pytest.raises(ValueError, match="day is nan: it must be 0 or more"):
        found.at(nan)


@pytest.mark.parametrize(
    ("lower", "upper", "more", "message"),
    [
        ([1, nan], [2, 3], {}, r"lower\[1\] is nan: it must be a finite number, 0 or more; write 0 where"),
        ([1, -2], [2, 3], {}, r"lower\[1\] is -2.0: it must be a finite number"),
        ([1, 5], [2, 3], {}, r"upper\[1\] is 3.0: it must not be before lower\[1\], 5.0"),
        (["soon"], [3], {}, "lower must hold numbers only"),
        ([1], [2, 3], {}, "upper has 2 values"),
        ([1, 2], [2, 3], {"weights": [0, 0]}, "lower has no row that counts"),
        ([], [], {}, "lower has no row that counts"),
        ([1, 2], [2, 3], {"weights": [1, 0.5]}, r"weights\[1\] is 0.5: a weight must be a whole number"),
    ],
)
def test_says_what_is_wrong(lower: list[Any], upper: list[Any], more: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        turnbull(lower, upper, **more)
