"""The sequence monitor and the blocks from independent practice on, from rows."""

from datetime import date, timedelta

import pandas as pd
import pytest

from outcomes.estimators.rates import proportion
from outcomes.own.expected import expectation
from outcomes.own.learning import learning
from outcomes.own.monitor import NO_RISK, TOO_FEW_RESULTS, Monitor, monitor
from outcomes.own.rows import Rows
from outcomes.own.two_years import two_years
from tests.outcomes.own.invented import FIRST, a_row, rows

OTHERS = rows(
    [a_row(60 + 10 * number, "failed", surgeon=2) for number in range(12)]
    + [a_row(1500, surgeon=2) for _ in range(88)]
)


def every_month(outcomes: str, since: date = FIRST) -> Rows:
    """A repair a month: F fails after 90 days, S stands for two years."""
    return rows(
        a_row(*((90, "failed") if outcome == "F" else (1000,)), operated=since + timedelta(days=30 * number))
        for number, outcome in enumerate(outcomes)
    )


def watched(own: Rows) -> Monitor:
    found = monitor(own, two_years(own), expectation(OTHERS, own))
    assert isinstance(found, Monitor)
    return found


@pytest.fixture(scope="module")
def drifting() -> Monitor:
    return watched(every_month("S" * 30 + "F" * 12 + "S" * 8))


def test_results_enter_in_the_order_known_from_the_day_a_success_could_be(drifting: Monitor) -> None:
    assert drifting.began_on == FIRST + timedelta(days=730)
    assert list(drifting.known_on) == sorted(drifting.known_on)
    assert min(drifting.known_on) >= drifting.began_on
    # Failures of months 30 to 41 are known from day 990 on, beside the successes of month 9 on.
    assert drifting.known_on[drifting.failed.index(1)] == FIRST + timedelta(days=990)
    assert drifting.n == 50
    assert drifting.before == 0


def test_only_failures_are_known_before_the_monitor_begins() -> None:
    found = watched(every_month("FF" + "S" * 20))
    assert (found.before, found.observed, found.n) == (2, 0, 20)


def test_every_repair_has_the_risk_of_the_others(drifting: Monitor) -> None:
    """No covariate varies, so each has Nelson and Aalen's 1 - exp(-H), H = sum of 1 / at risk."""
    hazard = sum(1 / (100 - number) for number in range(12))
    assert drifting.risks == pytest.approx([1 - 2.718281828459045**-hazard] * 50, rel=1e-9)
    assert drifting.expected == pytest.approx(sum(drifting.risks))
    assert drifting.excess[-1] == pytest.approx(12 - drifting.expected)


def test_a_run_of_failures_signals_upward_only(drifting: Monitor) -> None:
    assert drifting.worse.signals
    assert drifting.worse.path.path[drifting.worse.signals[0]] >= drifting.worse.limit
    assert not drifting.better.signals


def test_limits_are_those_of_the_run_length_that_is_stated(drifting: Monitor) -> None:
    for watch in (drifting.worse, drifting.better):
        assert watch.when_right.average == pytest.approx(500, rel=0.05)
        assert watch.when_wrong.average < 150
        assert watch.when_right.actual_odds_ratio == 1
        assert watch.when_wrong.actual_odds_ratio == watch.path.odds_ratio


def test_an_old_entry_does_not_begin_the_monitor() -> None:
    """Else failures would be counted before any success could be."""
    own = every_month("F" + "S" * 20)
    old = rows([a_row(3000, operated=FIRST - timedelta(days=800), entry=400)])
    together = Rows(pd.concat([own.table, old.table]), "", own.definition, own.closed_on, 0)
    found = watched(together)
    assert (found.began_on, found.before) == (FIRST + timedelta(days=730), 1)


def test_without_results_or_risks_there_is_a_sentence_in_its_place() -> None:
    few = every_month("S" * 9)
    assert monitor(few, two_years(few), expectation(OTHERS, few)) == TOO_FEW_RESULTS
    enough = every_month("S" * 10)
    assert monitor(enough, two_years(enough), None) == NO_RISK


def test_blocks_of_twenty_in_the_order_of_operations() -> None:
    own = every_month("FFS" * 7 + "S" * 24)
    found = learning(two_years(own), None, expectation(OTHERS, own))
    assert [(block.first, block.last, block.failed.x) for block in found.blocks] == [
        (1, 20, 14),
        (21, 40, 0),
        (41, 45, 0),
    ]
    wilson = proportion(14, 20)
    assert (found.blocks[0].failed.lower, found.blocks[0].failed.upper) == (wilson.lower, wilson.upper)
    assert found.blocks[0].expected == pytest.approx(20 * (found.blocks[2].expected or 0) / 5)
    assert found.independent_since is None


def test_repairs_before_independent_practice_are_left_out() -> None:
    own = every_month("F" * 10 + "S" * 15)
    since = FIRST + timedelta(days=300)
    found = learning(two_years(own), since, None)
    assert (found.before, found.n, found.blocks[0].failed.x) == (10, 15, 0)
    assert found.blocks[0].operated_from == since
    assert found.blocks[0].expected is None
