"""Funnel and CUSUM: what must hold for any data, and the run lengths against simulated charts."""

from collections.abc import Callable
from itertools import pairwise
from math import log, nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import binom

from outcomes.estimators.funnel import funnel, funnel_limits
from outcomes.estimators.monitoring import cusum, limit_for_run_length, run_length
from tests.servers import SAID_AT_THE_END

anything = settings(deadline=None, derandomize=True, max_examples=60)

UNIT = st.integers(1, 200).flatmap(lambda total: st.tuples(st.integers(0, total), st.just(total)))
UNITS = st.lists(UNIT, min_size=1, max_size=12)
RESULT = st.tuples(st.booleans(), st.floats(0.01, 0.99))
RESULTS = st.lists(RESULT, max_size=60)
RISKS = (0.05, 0.1, 0.2, 0.3)


@anything
@given(UNITS, st.data())
def test_units_in_another_order_keep_their_limits(units: list[tuple[int, int]], data: st.DataObject) -> None:
    order = data.draw(st.permutations(range(len(units))))
    one = funnel(*zip(*units, strict=True))
    other = funnel(*zip(*(units[row] for row in order), strict=True))
    assert other.units == tuple(one.units[row] for row in order)
    assert other.over_dispersion == pytest.approx(one.over_dispersion)


@anything
@given(UNITS)
def test_pooled_target_is_the_share_of_all(units: list[tuple[int, int]]) -> None:
    events, totals = zip(*units, strict=True)
    result = funnel(events, totals)
    assert result.target == sum(events) / sum(totals) == result.events / result.n


@anything
@given(UNITS, st.floats(0.01, 0.99))
def test_over_dispersion_is_the_mean_squared_z_score(units: list[tuple[int, int]], target: float) -> None:
    squares = [(x - n * target) ** 2 / (n * target * (1 - target)) for x, n in units]
    result = funnel(*zip(*units, strict=True), target)
    assert result.over_dispersion == pytest.approx(sum(squares) / len(squares))


@anything
@given(UNITS, st.floats(0.01, 0.99))
def test_limits_are_ordered(units: list[tuple[int, int]], target: float) -> None:
    for unit in funnel(*zip(*units, strict=True), target).units:
        limits = (unit.lower_998, unit.lower_95, unit.upper_95, unit.upper_998)
        assert all(lower <= upper for lower, upper in pairwise(limits))


@anything
@given(st.integers(1, 300), st.floats(0.01, 0.99), st.floats(0.001, 0.999))
def test_a_limit_lies_within_the_last_failure_that_the_binomial_allows(
    n: int, target: float, p: float
) -> None:
    failures = funnel_limits([n], target, p)[0] * n
    r = round(np.ceil(failures - 1e-9))
    assert binom.cdf(r, n, target) >= p - 1e-9
    assert binom.cdf(r - 2, n, target) < p


def test_below_ten_repairs_no_position_is_drawn() -> None:
    result = funnel([1, 1], [9, 10])
    assert [unit.position_drawn for unit in result.units] == [False, True]
    assert [caution.code for caution in result.cautions] == ["few_repairs"]


def test_units_that_differ_too_much_say_so() -> None:
    assert funnel([2, 60], [100, 100]).cautions[0].code == "over_dispersed"
    assert funnel([0, 0], [10, 20]).over_dispersion is None


@anything
@given(RESULTS, st.floats(1.1, 5))
def test_weights_are_log_likelihood_ratios(results: list[tuple[bool, float]], odds_ratio: float) -> None:
    failed, risks = ([row[column] for row in results] for column in (0, 1))
    for weight, (failure, risk) in zip(cusum(failed, risks, odds_ratio).weights, results, strict=True):
        changed = odds_ratio * risk / (1 - risk + odds_ratio * risk)
        assert weight == pytest.approx(
            log(changed / risk if failure else (1 - changed) / (1 - risk)), abs=1e-9
        )


@anything
@given(RESULTS, st.sampled_from([0.5, 2.0]), st.floats(0.3, 4))
def test_path_starts_again_after_each_signal(
    results: list[tuple[bool, float]], odds_ratio: float, limit: float
) -> None:
    failed, risks = ([row[column] for row in results] for column in (0, 1))
    whole = cusum(failed, risks, odds_ratio, limit)
    starts = [0, *(row + 1 for row in whole.signals), len(failed)]
    pieces = [cusum(failed[a:b], risks[a:b], odds_ratio).path for a, b in pairwise(starts)]
    assert whole.path == tuple(height for piece in pieces for height in piece)
    assert all(height >= 0 for height in whole.path)
    assert whole.signals == tuple(row for row, height in enumerate(whole.path) if height >= limit)


@anything
@given(RESULTS)
def test_excess_ends_at_observed_minus_expected(results: list[tuple[bool, float]]) -> None:
    failed, risks = ([row[column] for row in results] for column in (0, 1))
    chart = cusum(failed, risks)
    assert (chart.observed, chart.expected) == (sum(failed), pytest.approx(sum(risks)))
    assert not results or chart.excess[-1] == pytest.approx(chart.observed - chart.expected)


def test_run_lengths_with_limit_and_shift() -> None:
    short, long = (run_length(RISKS, 2, limit) for limit in (1.5, 2.5))
    worse = run_length(RISKS, 2, 2.5, actual_odds_ratio=2)
    assert short.average < long.average
    assert worse.average < long.average
    assert worse.median < worse.average


def test_order_and_repetition_of_risks_are_of_no_account() -> None:
    again = run_length([*reversed(RISKS), *RISKS], 2, 2)
    assert again.average == pytest.approx(run_length(RISKS, 2, 2).average)


def test_many_risks_are_taken_together() -> None:
    many = np.linspace(0.02, 0.4, 1001)
    few = many[::7]
    assert run_length(many.tolist(), 2, 2).average == pytest.approx(
        run_length(few.tolist(), 2, 2).average, rel=0.02
    )


def test_limit_is_the_lowest_that_keeps_the_run_length() -> None:
    limit = limit_for_run_length([0.1], 2, 300)
    assert run_length([0.1], 2, limit).average >= 300 > run_length([0.1], 2, limit - 0.02).average


WRONG: list[tuple[Callable[[], object], str]] = [
    (lambda: funnel([], []), "totals is empty"),
    (lambda: funnel([1], [0]), r"totals\[0\] is 0: a unit without repairs"),
    (lambda: funnel([3], [2]), r"events\[0\] is 3: it must be no more than totals\[0\], 2"),
    (lambda: funnel([1], [2, 3]), "totals has 2 values, events has 1"),
    (lambda: funnel([1], [2], 1.0), "target is 1.0: it must be above 0 and below 1"),
    (lambda: cusum([2], [0.1]), r"failed\[0\] is 2: it must be 1"),
    (lambda: cusum([1], [1.1]), r"expected\[0\] is 1.1: it must be between 0 and 1"),
    (lambda: cusum([1], [nan]), r"expected\[0\] is nan"),
    (lambda: cusum([1], [0.1], 1), "odds_ratio is 1: it must differ from 1"),
    (lambda: cusum([1], [0.1], 2, -1), "limit is -1: it must be finite and above 0"),
    (lambda: run_length([], 2, 1), "expected_risks is empty"),
    (lambda: run_length([0.0], 2, 1), r"expected_risks\[0\] is 0.0: it must be above 0"),
    (lambda: run_length([0.1], 2, 40), "limit is 40.0: so high that the chart hardly ever signals"),
    (lambda: limit_for_run_length([0.1], 2, 1), "run_length is 1: it must be above 1"),
]


@pytest.mark.parametrize(("call", "message"), WRONG)
def test_says_what_is_wrong(call: Callable[[], object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()


def simulated(odds_ratio: float, limit: float, actual: float, runs: int = 100_000) -> NDArray[np.int64]:
    """Run lengths of charts followed one result at a time, all runs together, from a fixed seed."""
    random = np.random.default_rng(20250101)
    heights, running, lengths, results = np.zeros(runs), np.arange(runs), np.zeros(runs, dtype=np.int64), 0
    while running.size:
        results += 1
        risk = random.choice(RISKS, running.size)
        failed = random.random(running.size) < actual * risk / (1 - risk + actual * risk)
        heights = np.maximum(
            0, heights + np.log(np.where(failed, odds_ratio, 1) / (1 - risk + odds_ratio * risk))
        )
        signals = heights >= limit
        lengths[running[signals]] = results
        running, heights = running[~signals], heights[~signals]
    return lengths


@pytest.mark.slow
def test_run_lengths_against_simulation(record_property: Callable[[str, object], None]) -> None:
    """100,000 charts each: the mean within 2 %, and half of all charts signal by the stated median."""
    lines = [
        "odds ratio, limit, true odds ratio: chain (mean, median), simulated (mean, standard error, median)"
    ]
    for odds_ratio, limit, actual in [(2, 2, 1), (2, 3, 1), (2, 2, 2), (2, 3, 2), (0.5, 2, 1), (0.5, 2, 0.5)]:
        chain, lengths = run_length(RISKS, odds_ratio, limit, actual), simulated(odds_ratio, limit, actual)
        mean, error = lengths.mean(), lengths.std() / lengths.size**0.5
        lines.append(
            f"{odds_ratio:>4}{limit:>4}{actual:>6}{chain.average:>10.2f}{chain.median:>6}"
            f"{mean:>11.2f}{error:>6.2f}{np.median(lengths):>8.0f}"
        )
        assert chain.average == pytest.approx(mean, rel=0.02)
        assert np.mean(lengths <= chain.median) == pytest.approx(0.5, abs=0.02)
    record_property(SAID_AT_THE_END, "\n".join(lines))
