"""Change and thresholds: what must hold for any scores."""

from collections.abc import Callable
from math import inf, nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from outcomes.estimators.change import Operator, paired_change, share_improved, share_reaching
from outcomes.estimators.rates import proportion

anything = settings(deadline=None, derandomize=True, max_examples=60)

SCORE = st.integers(0, 100)
PAIRS = st.lists(st.tuples(SCORE, SCORE), min_size=2, max_size=20)


@anything
@given(PAIRS)
def test_mean_change_with_its_paired_t_interval(pairs: list[tuple[int, int]]) -> None:
    before, after = np.array(pairs, dtype=float).T
    found = paired_change(before, after)
    assert found.estimate == pytest.approx(np.mean(after - before))
    if np.std(after - before) > 0:
        limits = stats.ttest_rel(after, before).confidence_interval(0.95)
        assert (found.lower, found.upper) == pytest.approx((limits.low, limits.high), rel=1e-9, abs=1e-9)
    else:
        assert found.lower == found.upper == found.estimate


@anything
@given(PAIRS, st.data())
def test_order_of_patients_and_direction_of_the_score(
    pairs: list[tuple[int, int]], data: st.DataObject
) -> None:
    again = data.draw(st.permutations(pairs))
    one, other = (paired_change(*np.array(rows).T) for rows in (pairs, again))
    assert other.estimate == pytest.approx(one.estimate, abs=1e-9)
    turned = paired_change(*(100 - np.array(pairs)).T, best=0, lower_is_better=True)
    upright = paired_change(*np.array(pairs).T, best=100)
    assert (turned.estimate, turned.at_best) == (pytest.approx(upright.estimate), upright.at_best)


def test_half_answered_pairs_are_left_out_and_counted() -> None:
    found = paired_change([50, None, 70, 60], [60, 80, nan, 90])
    assert (found.n, found.left_out, found.estimate) == (2, 2, 20)
    assert paired_change([None], [3]).estimate is None
    assert (paired_change([1], [3]).estimate, paired_change([1], [3]).lower) == (2, None)


def test_those_who_began_at_the_best_score_are_counted_apart() -> None:
    found = paired_change([100, 100, 40, 50], [100, 90, 60, 80], best=100)
    assert found.at_best == 2
    assert [caution.code for caution in found.cautions] == ["ceiling"]


@anything
@given(st.lists(SCORE, max_size=30), SCORE, st.sampled_from([">", ">="]))
def test_share_reaching_is_counted_by_the_operator(
    scores: list[int], threshold: int, operator: Operator
) -> None:
    reached = [score for score in scores if score > threshold or (operator == ">=" and score == threshold)]
    assert share_reaching(scores, threshold, operator).reached == proportion(len(reached), len(scores))


def test_pass_is_read_with_its_operator_on_unrounded_scores() -> None:
    # KOOS Pain, printed cut 80.6 for the lattice score 80.5556, "greater than": Arthroscopy 2021;37:3479-86.
    scores = [80.5556, 80.6, 83.3333]
    assert share_reaching(scores, 80.6, ">").reached.x == 1
    assert share_reaching(scores, 80.6, ">=").reached.x == 2


@anything
@given(st.lists(SCORE, max_size=30), SCORE, st.sampled_from([(">", "<"), (">=", "<=")]))
def test_share_reaching_turned_round_where_lower_is_better(
    scores: list[int], threshold: int, operators: tuple[Operator, Operator]
) -> None:
    upright, turned = operators
    mirrored = share_reaching(
        [100 - score for score in scores], 100 - threshold, turned, lower_is_better=True
    )
    assert mirrored.reached == share_reaching(scores, threshold, upright).reached


def test_who_hurts_less_reaches_a_threshold_of_pain() -> None:
    assert share_reaching([0, 2, 3, 9], 3, "<", lower_is_better=True).reached.x == 2
    assert share_reaching([0, 2, 3, 9], 3, "<=", lower_is_better=True).reached.x == 3


def test_mcid_leaves_aside_who_had_no_room_for_it() -> None:
    # IKDC 10.9 after meniscal repair (same source); error in one person 14.6: PMID 24618098.
    before, after = [40, 60, 89.2, 100, 50], [60, 65, 100, 100, None]
    found = share_improved(before, after, 10.9, ">=", best=100, measurement_error=14.6)
    assert (found.reached.x, found.reached.n, found.out_of_reach, found.left_out) == (1, 2, 2, 1)
    codes = [caution.code for caution in found.cautions]
    assert codes == ["below_measurement_error", "ceiling", "out_of_reach", "counts_only"]


WRONG: list[tuple[Callable[[], object], str]] = [
    (lambda: paired_change([1, 2], [1]), "after has 1 values, before has 2"),
    (lambda: paired_change(["high"], [1]), r"before\[0\] is high: it must be a finite number"),
    (lambda: paired_change([1.0, inf], [1, 2]), r"before\[1\] is inf: it must be a finite number"),
    (lambda: share_reaching([1], nan, ">"), "threshold is nan"),
    (
        lambda: share_reaching([1], 1, "<"),
        "operator is <: it must be one of >=, >, .* where higher is better",
    ),
    (
        lambda: share_reaching([1], 1, ">", lower_is_better=True),
        "operator is >: it must be one of <=, <, .* where lower is better",
    ),
]


@pytest.mark.parametrize(("call", "message"), WRONG)
def test_says_what_is_wrong(call: Callable[[], object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()
