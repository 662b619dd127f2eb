"""Funnel limits and CUSUM against R 4.2.2: qbinom and pbinom, and the recursion of Steiner et al., base R.

Path and weights of the CUSUM agree there with the package vlad 0.2.2, too.
"""

from typing import Any

import pytest

from outcomes.estimators.funnel import funnel, funnel_limits
from outcomes.estimators.monitoring import cusum, run_length

LIMITS = {"0.025": "lower_95", "0.975": "upper_95", "0.001": "lower_998", "0.999": "upper_998"}
SIDES = {"upper": 2, "lower": 0.5}


def test_funnel_limits(reference: Any, compare: Any) -> None:
    truth = reference("funnel_p020")
    sizes, target = truth.data["n"], truth.expected["target"]
    for p in LIMITS:
        found = funnel_limits(sizes, target, float(p))
        compare("funnel limits", "funnel_p020", p, found, truth.expected[p])


def test_funnel_units_carry_these_limits(reference: Any, compare: Any) -> None:
    truth = reference("funnel_p020")
    sizes = truth.data["n"]
    units = funnel([0] * len(sizes), sizes, truth.expected["target"]).units
    for p, name in LIMITS.items():
        compare("funnel", "funnel_p020", p, [getattr(unit, name) for unit in units], truth.expected[p])


@pytest.mark.parametrize("odds_ratio", ["2", "0.5"])
def test_cusum_without_limit(reference: Any, compare: Any, odds_ratio: str) -> None:
    truth = reference("cusum_bernoulli")
    found = cusum(truth.data["y"], truth.data["p"], float(odds_ratio))
    compare("CUSUM", "cusum_bernoulli", "weights", found.weights, truth.expected["weights"][odds_ratio])
    compare("CUSUM", "cusum_bernoulli", "path", found.path, truth.expected["path"][odds_ratio])
    compare("CUSUM", "cusum_bernoulli", "excess", found.excess, truth.expected["excess"])
    totals = ("observed", "expected", "ratio")
    compare(
        "CUSUM",
        "cusum_bernoulli",
        "totals",
        [getattr(found, name) for name in totals],
        [truth.expected[name] for name in totals],
    )
    assert found.signals == ()


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("limit", [1.5, 2.5, 4])
def test_cusum_starts_again_after_a_signal(reference: Any, compare: Any, side: str, limit: float) -> None:
    truth = reference("cusum_bernoulli")
    expected = truth.expected["with_limit"][f"h{limit}"][side]
    found = cusum(truth.data["y"], truth.data["p"], SIDES[side], limit)
    compare("CUSUM with limit", "cusum_bernoulli", f"{side} {limit}", found.path, expected["path"])
    assert [row + 1 for row in found.signals] == expected["signals_from_1"]


@pytest.mark.parametrize("direction", ["worse", "better"])
@pytest.mark.parametrize("position", range(5))
def test_run_length_on_a_lattice(reference: Any, compare: Any, direction: str, position: int) -> None:
    truth = reference("cusum_bernoulli").expected["run_length"][direction]
    ratio, limit = truth["odds_ratio"], truth["limit"][position]
    for actual, name in ((1, "in_control"), (ratio, "at_the_odds_ratio")):
        found = run_length([truth["risk"]], ratio, limit, actual)
        compare("run length", "lattice", f"{name} {limit}", found.average, truth[name][position])


@pytest.mark.parametrize("position", range(2))
def test_run_length_off_the_lattice_lies_within_r_simulation(reference: Any, position: int) -> None:
    # 20,000 runs in R: within four of their standard errors, and within 2 % of the chain of vlad 0.2.2.
    truth = reference("cusum_bernoulli").expected["simulated"]
    found = run_length([truth["risk"]], truth["odds_ratio"], truth["limit"][position])
    assert abs(found.average - truth["average"][position]) < 4 * truth["standard_error"][position]
    assert found.average == pytest.approx(truth["markov_chain"][position], rel=0.02)
