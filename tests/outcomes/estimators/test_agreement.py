"""Agreement: what must hold for any table, and at its edges. Printed examples are in tests/reference."""

from collections.abc import Callable
from math import nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.estimators.agreement import diagnostic, kappa, kappa_of_ratings
from outcomes.estimators.rates import proportion

anything = settings(deadline=None, derandomize=True, max_examples=80)

CELL = st.integers(0, 40)
TABLE = st.integers(2, 4).flatmap(
    lambda classes: st.lists(
        st.lists(CELL, min_size=classes, max_size=classes), min_size=classes, max_size=classes
    )
)
FILLED = TABLE.filter(lambda table: np.count_nonzero(np.sum(table, axis=0) + np.sum(table, axis=1)) > 1)


@anything
@given(CELL, CELL, CELL, CELL)
def test_diagnostic_shares_have_their_own_denominators(hit: int, alarm: int, miss: int, clear: int) -> None:
    found = diagnostic(hit, alarm, miss, clear)
    assert found.n == hit + alarm + miss + clear
    assert found.sensitivity == proportion(hit, hit + miss)
    assert found.specificity == proportion(clear, clear + alarm)
    assert found.positive_predictive_value == proportion(hit, hit + alarm)
    assert found.negative_predictive_value == proportion(clear, clear + miss)


@anything
@given(CELL, CELL, CELL, CELL)
def test_calling_ill_well_changes_the_shares_over(hit: int, alarm: int, miss: int, clear: int) -> None:
    one, other = diagnostic(hit, alarm, miss, clear), diagnostic(clear, miss, alarm, hit)
    assert other.sensitivity == one.specificity
    assert other.positive_predictive_value == one.negative_predictive_value


@anything
@given(FILLED, st.randoms(use_true_random=False))
def test_order_of_classes_and_of_raters_is_of_no_account(
    table: list[list[int]], random: np.random.Generator
) -> None:
    counts, order = np.array(table), list(range(len(table)))
    random.shuffle(order)
    one = kappa(counts)
    for other in (kappa(counts[np.ix_(order, order)]), kappa(counts.T)):
        assert other.estimate == pytest.approx(one.estimate, abs=1e-9)
        assert other.std_error == pytest.approx(one.std_error, abs=1e-6)
        assert other.agreement == one.agreement


@anything
@given(FILLED)
def test_lies_inside_its_limits_and_above_no_agreement_at_all(table: list[list[int]]) -> None:
    found = kappa(table)
    assert found.estimate is not None
    assert found.lower is not None
    assert found.upper is not None
    assert -1 <= found.lower <= found.estimate + 1e-12
    assert found.estimate <= found.upper + 1e-12 <= 1 + 1e-9


@anything
@given(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from("abc")), min_size=1, max_size=30))
def test_ratings_give_what_their_table_gives(pairs: list[tuple[str, str]]) -> None:
    first, second = zip(*pairs, strict=True)
    found = kappa_of_ratings(first, second)
    assert found == kappa(found.table, found.labels)
    assert found.n == len(pairs)
    assert found.agreement.x == sum(a == b for a, b in pairs)


def test_chance_explains_all_when_both_choose_one_class() -> None:
    found = kappa_of_ratings(["healed"] * 9, ["healed"] * 9)
    assert (found.estimate, found.std_error, found.agreement.estimate) == (None, None, 1)


def test_full_agreement_and_agreement_of_chance() -> None:
    assert kappa([[5, 0], [0, 7]]).estimate == 1
    assert kappa([[4, 4], [4, 4]]).estimate == 0
    assert kappa([[0, 5], [0, 0]]).estimate == 0


WRONG: list[tuple[Callable[[], object], str]] = [
    (lambda: diagnostic(1, -1, 0, 0), "false_positive is -1: it must be a whole number"),
    (lambda: kappa([[1, 2, 3], [4, 5, 6]]), r"table has shape \(2, 3\): it must be square"),
    (lambda: kappa([[0, 0], [0, 0]]), "table is empty"),
    (lambda: kappa([[1, 0], [0, -1]]), r"table\[1\]\[1\] is -1"),
    (lambda: kappa([[1, 0], [0, 1]], ["one"]), "labels has 1 names, table has 2 classes"),
    (lambda: kappa_of_ratings(["a"], ["a", "b"]), "second has 2 values, first has 1"),
    (lambda: kappa_of_ratings(["a", "b"], ["a", nan]), r"second\[1\] is missing"),
]


@pytest.mark.parametrize(("call", "message"), WRONG)
def test_says_what_is_wrong(call: Callable[[], object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()
