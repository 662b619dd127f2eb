"""Anonymity: what must hold for any table. The counts of R are in tests/reference."""

from collections import Counter, defaultdict
from collections.abc import Callable

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.estimators.anonymity import anonymity

anything = settings(deadline=None, derandomize=True, max_examples=60)

ROW = st.tuples(st.sampled_from(["RR", "RW", None]), st.integers(1, 3), st.sampled_from(["healed", "failed"]))
ROWS = st.lists(ROW, min_size=1, max_size=25)
COLUMNS = ["zone", "length_mm", "state"]
KEYS = ["zone", "length_mm"]


def table(rows: list[tuple[str | None, int, str]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=COLUMNS)


@anything
@given(ROWS)
def test_counts_classes_as_by_hand(rows: list[tuple[str | None, int, str]]) -> None:
    sizes = Counter(row[:2] for row in rows)
    states = defaultdict(Counter)
    for row in rows:
        states[row[:2]][row[2]] += 1
    whole = Counter(row[2] for row in rows)
    farthest = max(
        sum(abs(inside[state] / sizes[key] - whole[state] / len(rows)) for state in whole) / 2
        for key, inside in states.items()
    )
    found = anonymity(table(rows), KEYS, "state")
    assert (found.n, found.k, found.classes) == (len(rows), min(sizes.values()), len(sizes))
    assert found.class_sizes == tuple(sizes[row[:2]] for row in rows)
    assert found.distinct_l == min(len(inside) for inside in states.values())
    assert found.t_closeness == pytest.approx(farthest, abs=1e-12)


@anything
@given(ROWS, st.data())
def test_order_of_rows_and_names_of_values_are_of_no_account(
    rows: list[tuple[str | None, int, str]], data: st.DataObject
) -> None:
    order = data.draw(st.permutations(range(len(rows))))
    one = anonymity(table(rows), KEYS, "state")
    frame = table(rows).iloc[order].replace({"RR": "inner", "failed": "torn"})
    other = anonymity(frame, KEYS, "state")
    assert (other.k, other.classes, other.distinct_l) == (one.k, one.classes, one.distinct_l)
    assert other.t_closeness == pytest.approx(one.t_closeness, abs=1e-12)
    assert other.class_sizes == tuple(one.class_sizes[row] for row in order)


@anything
@given(ROWS)
def test_fewer_keys_never_hide_less(rows: list[tuple[str | None, int, str]]) -> None:
    assert anonymity(table(rows), ["zone"]).k >= anonymity(table(rows), KEYS).k


@anything
@given(ROWS, st.integers(2, 4))
def test_repeating_the_table_multiplies_k(rows: list[tuple[str | None, int, str]], times: int) -> None:
    one, more = anonymity(table(rows), KEYS, "state"), anonymity(table(rows * times), KEYS, "state")
    assert more.k == times * one.k
    assert (more.distinct_l, more.t_closeness) == (one.distinct_l, pytest.approx(one.t_closeness, abs=1e-12))


def test_numbers_are_compared_as_text() -> None:
    # By the distance for ordered values it would be 1/2.
    frame = pd.DataFrame({"key": [1, 2, 3], "length_mm": [10, 20, 30]})
    assert anonymity(frame, ["key"], "length_mm").t_closeness == pytest.approx(2 / 3)


def test_rows_at_risk() -> None:
    found = anonymity(table([("RR", 1, "healed"), ("RW", 1, "healed"), ("RW", 1, "failed")]), KEYS)
    assert found.rows_below(2) == (0,)
    assert found.rows_below(1) == ()
    assert (found.highest_risk, found.mean_risk) == (1, 2 / 3)
    assert (found.distinct_l, found.t_closeness) == (None, None)


FRAME = table([("RR", 1, "healed")])
WRONG: list[tuple[Callable[[], object], str]] = [
    (lambda: anonymity(FRAME.iloc[:0], KEYS), "frame has no row"),
    (lambda: anonymity(FRAME, []), "keys is empty"),
    (lambda: anonymity(FRAME, ["age"]), "frame has no column age: it has zone, length_mm, state"),
    (lambda: anonymity(FRAME, KEYS, "zone"), "sensitive is zone: it must not be one of the keys"),
    (lambda: anonymity(FRAME, ["zone", "zone"]), "keys has zone twice"),
]


@pytest.mark.parametrize(("call", "message"), WRONG)
def test_says_what_is_wrong(call: Callable[[], object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()
