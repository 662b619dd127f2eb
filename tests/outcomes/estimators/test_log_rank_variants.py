"""The log-rank test within strata, in pairs and for a trend, and curves that cross."""

from dataclasses import replace
from itertools import combinations
from math import sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.duration.hazard_regression import PHReg
from statsmodels.stats.multitest import multipletests

from outcomes.estimators.comparison import (
    METHOD,
    WITHIN_STRATA,
    LogRank,
    crossing,
    holm,
    log_rank,
    pairwise_log_rank,
)
from outcomes.estimators.survival import kaplan_meier
from outcomes.estimators.trend import Trend, trend_log_rank
from tests.outcomes.estimators import exact
from tests.outcomes.estimators.exact import Row, any_row, columns, near

anything = settings(deadline=None, derandomize=True, max_examples=60)
# statsmodels empties Python's memory whenever it adjusts P values, which takes its time.
a_few = settings(anything, max_examples=20)

TWO_GROUPS = st.lists(any_row(groups="ab", strata="st"), max_size=20)
GROUPS = st.lists(any_row(groups="abcd", strata="st"), max_size=20)
NAMES = ("time", "failed", "group", "n", "stratum", "entry")


def stratified(rows: list[Row]) -> LogRank | None:
    time, failed, group, n, stratum, entry = columns(rows, *NAMES)
    return log_rank(time, failed, group, n, strata=stratum, entry=entry)


def trend_of(rows: list[Row], **options: Any) -> Trend | None:
    time, failed, group, n, stratum, entry = columns(rows, *NAMES)
    return trend_log_rank(time, failed, group, "abcd", n, strata=stratum, entry=entry, **options)


@anything
@given(TWO_GROUPS)
def test_strata_follow_mantel(rows: list[Row]) -> None:
    difference, variance = exact.mantel(rows, lambda name: int(name == "a"))
    result = stratified(rows)
    if not variance:
        assert result is None
    else:
        assert result is not None
        assert result.df == 1
        assert near([result.statistic], [float(difference**2 / variance)])
        assert "within each stratum" in result.method


@anything
@given(GROUPS)
def test_one_stratum_is_no_strata(rows: list[Row]) -> None:
    time, failed, group, n = columns(rows, "time", "failed", "group", "n")
    one, none = log_rank(time, failed, group, n, strata=["s"] * len(rows)), log_rank(time, failed, group, n)
    assert one == (none and replace(none, method=f"{METHOD} {WITHIN_STRATA}"))


def test_groups_that_never_meet_are_not_compared() -> None:
    # Surgeons a and b work in one unit, c and d in another: two tests in one, two degrees of freedom.
    time, failed = [1, 2, 3, 4, 1, 2, 3, 5], [1, 1, 0, 1, 1, 0, 1, 1]
    first = log_rank(time[:4], failed[:4], list("abab"))
    second = log_rank(time[4:], failed[4:], list("cdcd"))
    both = log_rank(time, failed, list("ababcdcd"), strata=list("ssssuuuu"))
    assert first is not None
    assert second is not None
    assert both is not None
    assert both.df == 2
    assert near([both.statistic], [first.statistic + second.statistic])


@a_few
@given(GROUPS)
def test_each_pair_is_tested_as_if_alone(rows: list[Row]) -> None:
    time, failed, group, n, stratum, entry = columns(rows, *NAMES)
    pairs = pairwise_log_rank(time, failed, group, n, strata=stratum, entry=entry)
    assert [(pair.a, pair.b) for pair in pairs] == list(combinations(sorted({row.group for row in rows}), 2))
    for pair in pairs:
        alone = stratified([row for row in rows if row.group in (pair.a, pair.b)])
        if alone is None:
            assert (pair.statistic, pair.p, pair.p_holm) == (None, None, None)
        else:
            assert near([pair.statistic, pair.p], [alone.statistic, alone.p])
            assert (pair.n, pair.events) == (alone.n, alone.events)


@a_few
@given(GROUPS)
def test_holm_multiplies_the_smallest_by_all_and_keeps_the_order(rows: list[Row]) -> None:
    time, failed, group, n = columns(rows, "time", "failed", "group", "n")
    tested = [pair for pair in pairwise_log_rank(time, failed, group, n) if pair.p is not None]
    tested.sort(key=lambda pair: pair.p or 0)
    expected = np.maximum.accumulate(
        [(len(tested) - place) * (pair.p or 0) for place, pair in enumerate(tested)]
    )
    assert near([pair.p_holm for pair in tested], np.minimum(expected, 1).tolist())


@anything
@given(GROUPS)
def test_trend_follows_mantel_with_scores(rows: list[Row]) -> None:
    difference, variance = exact.mantel(rows, lambda name: 1 + "abcd".index(name))
    result = trend_of(rows)
    if not variance:
        assert result is None
    else:
        assert result is not None
        assert near([result.z], [float(difference) / sqrt(variance)])
        assert near([result.statistic], [result.z**2])
        assert result.scores == {name: 1 + "abcd".index(name) for name in sorted({row.group for row in rows})}


@anything
@given(TWO_GROUPS)
def test_trend_of_two_groups_is_the_log_rank_test(rows: list[Row]) -> None:
    trend, test = trend_of(rows), stratified(rows)
    assert (trend is None) == (test is None)
    if trend and test:
        assert near([trend.statistic, trend.p], [test.statistic, test.p])


@anything
@given(GROUPS)
def test_only_the_spacing_of_scores_matters_and_the_order_gives_the_sign(rows: list[Row]) -> None:
    trend, stretched = trend_of(rows), trend_of(rows, scores=[10, 30, 50, 70])
    time, failed, group, n, stratum, entry = columns(rows, *NAMES)
    turned = trend_log_rank(time, failed, group, "dcba", n, strata=stratum, entry=entry)
    if trend is not None:
        assert stretched is not None
        assert turned is not None
        assert near([stretched.z, turned.z], [trend.z, -trend.z])


def test_trend_is_the_score_test_of_cox_where_no_times_are_tied() -> None:
    # statsmodels PHReg, score and information at 0, with late entries and strata.
    rng = np.random.default_rng(4)
    entry = rng.choice(100, 90, replace=False)
    time = entry + rng.choice(np.arange(1, 300), 90, replace=False) + 0.5
    time += np.arange(90) / 1000
    failed, group, stratum = rng.random(90) < 0.6, rng.integers(1, 5, 90), rng.integers(0, 3, 90)
    model = PHReg(time, group[:, None], failed, entry=entry, strata=stratum)
    information = -model.hessian(np.zeros(1))[0, 0]
    trend = trend_log_rank(time, failed, group, [1, 2, 3, 4], strata=stratum, entry=entry)
    assert trend is not None
    assert near([trend.z], [model.score(np.zeros(1))[0] / sqrt(information)])


@pytest.mark.parametrize(
    ("order", "scores", "message"),
    [
        (["a"], None, "group holds b: it must be in order; add it or leave its rows out"),
        (["a", "b", "a"], None, "each group must stand in it once"),
        (["a", "b"], [1], "scores has 1 values, order has 2"),
        (["a", "b"], [2, 2], r"scores is \[2.0, 2.0\]: it must rise"),
        (["a", "b"], [1, float("nan")], "scores is nan: it must be a finite number"),
    ],
)
def test_says_what_is_wrong_with_an_order(order: list[str], scores: list[float] | None, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        trend_log_rank([1, 2], [1, 1], ["a", "b"], order, scores=scores)


def test_every_row_needs_a_stratum() -> None:
    with pytest.raises(ValueError, match=r"strata\[1\] is None: every row needs one"):
        log_rank([1, 2], [1, 1], ["a", "b"], strata=["s", None])


def test_curves_cross_where_each_is_above_by_the_margin_and_enough_are_at_risk() -> None:
    early = kaplan_meier([*range(1, 6), *[60] * 45], [1] * 5 + [0] * 45)
    late = kaplan_meier([*[40] * 20, *[60] * 30], [1] * 20 + [0] * 30)
    assert crossing(early, late)
    assert crossing(late, early)
    assert not crossing(early, early)


def test_curves_that_meet_but_for_a_hair_do_not_cross() -> None:
    # One in a hundred apart, early, is less than the margin.
    early = kaplan_meier([1, *[60] * 99], [1] + [0] * 99)
    late = kaplan_meier([*[40] * 20, *[60] * 80], [1] * 20 + [0] * 80)
    assert not crossing(early, late)


def test_a_crossing_among_the_last_few_is_not_believed() -> None:
    early = kaplan_meier([*range(1, 6), *[30] * 40, 60, 60], [1] * 5 + [0] * 42)
    late = kaplan_meier([*[20] * 38, 50, 50, 60], [0] * 38 + [1, 1, 0])
    assert not crossing(early, late)


def test_two_hundred_groups_take_no_time_to_speak_of() -> None:
    rng = np.random.default_rng(5)
    time, failed, group = (
        rng.integers(1, 3000, 20_000),
        rng.random(20_000) < 0.2,
        rng.integers(0, 200, 20_000),
    )
    result = log_rank(time, failed, group)
    assert result is not None
    assert result.df == 199
    assert 120 < result.statistic < 290


@a_few
@given(st.lists(st.none() | st.floats(0, 1), max_size=12))
def test_holm_is_that_of_statsmodels(p):
    found = holm(p)
    tested = [value for value in p if value is not None]
    expected = multipletests(tested, method="holm")[1] if tested else []
    assert [value for value in found if value is not None] == pytest.approx(expected, rel=1e-12)
    assert [value is None for value in found] == [value is None for value in p]
