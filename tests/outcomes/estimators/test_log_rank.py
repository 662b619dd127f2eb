"""What the log-rank test must do for any data, and when there is nothing to test."""

from dataclasses import asdict
from fractions import Fraction
from math import nan
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.estimators.comparison import GroupTotals, LogRank, log_rank

anything = settings(deadline=None, derandomize=True, max_examples=60)

Row = tuple[int, bool, str, int]  # day, failed, group, repairs
TWO_GROUPS = st.lists(
    st.tuples(st.integers(0, 15), st.booleans(), st.sampled_from("ab"), st.integers(1, 4)), max_size=25
)
GROUPS = st.lists(
    st.tuples(st.integers(0, 15), st.booleans(), st.sampled_from("abcd"), st.integers(1, 4)), max_size=25
)


def compare(rows: list[Row]) -> LogRank | None:
    time, failed, group, weights = zip(*rows, strict=True) if rows else ((), (), (), ())
    return log_rank(time, failed, group, weights)


def alike(one: LogRank | None, other: LogRank | None) -> bool:
    """The same result up to rounding; a statistic that is zero has no relative error."""
    if one is None or other is None:
        return one is other
    return (
        one.statistic == pytest.approx(other.statistic, rel=1e-9, abs=1e-12)
        and one.p == pytest.approx(other.p, rel=1e-9, abs=1e-12)
        and one.df == other.df
        and one.groups.keys() == other.groups.keys()
        and all(asdict(one.groups[name]) == pytest.approx(asdict(other.groups[name])) for name in one.groups)
    )


def mantel(rows: list[Row]) -> Fraction | None:
    """(O - E)^2 / V of group a against b, in exact fractions from the formulas of Mantel 1966."""
    difference, variance = Fraction(0), Fraction(0)
    for day in {day for day, failed, _, _ in rows if failed}:
        at_risk = sum(n for time, _, _, n in rows if time >= day)
        of_a = sum(n for time, _, group, n in rows if time >= day and group == "a")
        failing = sum(n for time, failed, _, n in rows if time == day and failed)
        difference += sum(n for time, failed, group, n in rows if time == day and failed and group == "a")
        difference -= Fraction(failing * of_a, at_risk)
        if at_risk > 1:
            share = Fraction(of_a, at_risk)
            variance += failing * share * (1 - share) * Fraction(at_risk - failing, at_risk - 1)
    return difference**2 / variance if variance else None


@anything
@given(TWO_GROUPS)
def test_two_groups_follow_mantel(rows: list[Row]) -> None:
    result, exact = compare(rows), mantel(rows)
    if exact is None:
        assert result is None
    else:
        assert result is not None
        assert result.statistic == pytest.approx(float(exact), rel=1e-9, abs=1e-12)
        assert result.df == 1


@anything
@given(GROUPS)
def test_as_many_failures_are_expected_as_observed(rows: list[Row]) -> None:
    result = compare(rows)
    if result is not None:
        totals = result.groups.values()
        assert sum(total.n for total in totals) == sum(n for *_, n in rows)
        assert sum(total.expected for total in totals) == pytest.approx(
            sum(total.observed for total in totals)
        )
        assert result.df == sum(total.expected > 0 for total in totals) - 1 > 0
        assert result.statistic >= 0
        assert 0 <= result.p <= 1


@anything
@given(st.data(), GROUPS)
def test_order_of_rows_is_of_no_account(data: st.DataObject, rows: list[Row]) -> None:
    assert alike(compare(data.draw(st.permutations(rows))), compare(rows))


@anything
@given(GROUPS)
def test_a_weight_is_that_many_rows_alike(rows: list[Row]) -> None:
    one_each = [(day, failed, group, 1) for day, failed, group, n in rows for _ in range(n)]
    assert alike(compare(one_each), compare(rows))


@anything
@given(GROUPS)
def test_only_the_order_of_times_matters(rows: list[Row]) -> None:
    stretched = [(3 * day**2 + 1, failed, group, n) for day, failed, group, n in rows]
    assert alike(compare(stretched), compare(rows))


@anything
@given(GROUPS)
def test_names_of_groups_do_not_matter(rows: list[Row]) -> None:
    # "observed:" and "removed:" are what lifelines calls its own columns.
    renamed = dict(zip("abcd", ["removed:", "10", "observed:removed:", "2"], strict=True))
    result, other = (
        compare(rows),
        compare([(day, failed, renamed[group], n) for day, failed, group, n in rows]),
    )
    if result is None or other is None:
        assert result is other
    else:
        assert other.statistic == pytest.approx(result.statistic, rel=1e-9, abs=1e-12)
        assert other.df == result.df
        assert other.groups.keys() == {renamed[name] for name in result.groups}


def test_groups_alike_do_not_differ() -> None:
    result = log_rank([1, 2, 3, 1, 2, 3], [1, 0, 1, 1, 0, 1], ["a", "a", "a", "b", "b", "b"])
    assert result is not None
    assert result.statistic == pytest.approx(0, abs=1e-12)
    assert result.p == pytest.approx(1)
    assert result.groups == {"a": GroupTotals(3, 2, 2.0), "b": GroupTotals(3, 2, 2.0)}


@pytest.mark.parametrize(
    ("time", "failed", "group", "weights"),
    [
        pytest.param([], [], [], [], id="no rows"),
        pytest.param([1, 2], [1, 1], ["a", "a"], [1, 1], id="one group"),
        pytest.param([1, 2], [1, 1], ["a", "b"], [1, 0], id="the other group counts for nothing"),
        pytest.param([1, 2], [0, 0], ["a", "b"], [1, 1], id="no failure"),
        pytest.param(
            [1, 2, 3], [0, 1, 0], ["a", "b", "b"], [1, 1, 1], id="one group left by the first failure"
        ),
        pytest.param([5, 5], [1, 1], ["a", "b"], [3, 4], id="all fail at once"),
    ],
)
def test_nothing_to_test(time: list[int], failed: list[int], group: list[str], weights: list[int]) -> None:
    assert log_rank(time, failed, group, weights) is None


def test_a_group_gone_before_the_first_failure_takes_no_degree_of_freedom() -> None:
    # As R's survdiff: groups with nothing expected are left out of the chi-square.
    time, failed, group = [3, 4, 5, 6], [1, 0, 1, 1], ["a", "a", "b", "b"]
    two, three = log_rank(time, failed, group), log_rank([1, *time], [0, *failed], ["c", *group])
    assert two is not None
    assert three is not None
    assert (three.statistic, three.df, three.p) == pytest.approx((two.statistic, 1, two.p))
    assert three.groups == {**two.groups, "c": GroupTotals(1, 0, 0.0)}


def test_groups_are_named_by_their_text_in_order() -> None:
    result = log_rank([1, 2, 3, 4], [1, 1, 1, 0], [2, 1, 2, 1])
    assert result is not None
    assert list(result.groups) == ["1", "2"]


def test_a_group_of_weight_0_is_not_listed() -> None:
    result = log_rank([1, 2, 3, 4], [1, 1, 0, 1], ["a", "b", "a", "c"], [1, 1, 1, 0])
    assert result is not None
    assert list(result.groups) == ["a", "b"]


def test_a_million_repairs() -> None:
    days = np.arange(1, 2001)
    time, failed = np.tile(days, 4), np.tile(np.repeat([True, False], 2000), 2)
    result = log_rank(time, failed, np.repeat(["a", "b"], 4000), np.repeat([125, 125, 120, 130], 2000))
    assert result is not None
    assert sum(total.n for total in result.groups.values()) == 1_000_000
    assert sum(total.expected for total in result.groups.values()) == pytest.approx(490_000, rel=1e-9)
    assert result.p < 1e-9


def test_leaves_the_warnings_of_numpy_as_they_were() -> None:
    with np.errstate(divide="raise", invalid="raise"):
        log_rank([1, 2, 3], [True, True, True], ["a", "b", "a"])
        assert (np.geterr()["divide"], np.geterr()["invalid"]) == ("raise", "raise")


@pytest.mark.parametrize(
    ("time", "group", "message"),
    [
        ([1, 2], ["a"], "group has 1 values, time has 2: give one of each for every row"),
        ([1, 2], ["a", None], r"group\[1\] is None: every row needs one"),
        ([1, 2], [nan, "a"], r"group\[0\] is nan: every row needs one"),
        ([1, -2], ["a", "b"], r"time\[1\] is -2.0: a time must be a finite number, 0 or more"),
    ],
)
def test_says_what_is_wrong_with_a_column(time: list[int], group: Any, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        log_rank(time, [True, True], group)
