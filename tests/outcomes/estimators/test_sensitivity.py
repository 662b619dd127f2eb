"""Bounds and tipping point: what must hold for any data, and a case worked by hand."""

from collections.abc import Callable
from itertools import pairwise
from math import inf

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from outcomes.estimators.sensitivity import bounds, survival_at_ratio, tipping_point
from outcomes.estimators.survival import kaplan_meier

anything = settings(deadline=None, derandomize=True, max_examples=60)

Rows = list[tuple[int, str, int]]  # day, how follow-up ended, repairs
ROW = st.tuples(st.integers(0, 30), st.sampled_from(["failed", "lost", "followed"]), st.integers(1, 4))
ROWS = st.lists(ROW, min_size=1, max_size=25)
DAY = st.integers(0, 32)
RATIOS = (1, 1.05, 1.5, 2, 4, 10, 100, inf)


def columns(rows: Rows) -> tuple[list[int], list[bool], list[bool], list[int]]:
    time, end, weights = (list(column) for column in zip(*rows, strict=True))
    return time, [how == "failed" for how in end], [how == "lost" for how in end], weights


@anything
@given(ROWS, DAY)
def test_bounds_hold_the_curve_between_them(rows: Rows, day: int) -> None:
    time, failed, lost, weights = columns(rows)
    found = bounds(time, failed, lost, weights, at=day)
    assert found.as_followed == kaplan_meier(time, failed, weights, at=(day,)).landmarks[0]
    shares = [at.survival for at in (found.lost_failed, found.as_followed, found.lost_never_failed)]
    if day > max(time):
        assert shares == [None, None, None]
    else:
        worst, followed, best = (share for share in shares if share is not None)
        assert worst <= followed + 1e-12
        assert followed <= best + 1e-12


@anything
@given(ROWS, DAY)
def test_worst_and_best_are_the_curves_of_the_changed_rows(rows: Rows, day: int) -> None:
    time, failed, lost, weights = columns(rows)
    found = bounds(time, failed, lost, weights, at=day)
    all_failed = kaplan_meier(time, np.logical_or(failed, lost), weights, at=(day,))
    none_failed = kaplan_meier(
        [max(time) if gone else last for last, gone in zip(time, lost, strict=True)],
        failed,
        weights,
        at=(day,),
    )
    assert found.lost_failed == all_failed.landmarks[0]
    assert found.lost_never_failed == none_failed.landmarks[0]
    assert found.lost == sum(n for n, gone in zip(weights, lost, strict=True) if gone)


@anything
@given(ROWS, DAY)
def test_survival_falls_from_the_curve_to_the_bound_as_the_ratio_rises(rows: Rows, day: int) -> None:
    time, failed, lost, weights = columns(rows)
    assume(day <= max(time))
    path = [survival_at_ratio(time, failed, lost, weights, at=day, ratio=ratio) for ratio in RATIOS]
    found = bounds(time, failed, lost, weights, at=day)
    assert path[0] == pytest.approx(found.as_followed.survival, rel=1e-9, abs=1e-12)
    assert path[-1] == pytest.approx(found.lost_failed.survival, rel=1e-9, abs=1e-12)
    shares = [share for share in path if share is not None]
    assert all(later <= earlier + 1e-12 for earlier, later in pairwise(shares))


@anything
@given(ROWS, DAY, st.floats(0.05, 0.95))
def test_at_the_tipping_point_survival_is_the_threshold(rows: Rows, day: int, threshold: float) -> None:
    time, failed, lost, weights = columns(rows)
    found = tipping_point(time, failed, lost, weights, at=day, threshold=threshold)
    if found.ratio is None:
        assert not found.holds or (found.worst is not None and found.worst >= threshold)
        return
    assert found.holds
    assert found.worst is not None
    assert found.worst < threshold
    tipped = survival_at_ratio(time, failed, lost, weights, at=day, ratio=found.ratio)
    if found.ratio < 1e6:
        assert tipped == pytest.approx(threshold, abs=1e-9)
    beyond = survival_at_ratio(time, failed, lost, weights, at=day, ratio=2 * found.ratio)
    assert beyond is not None
    assert beyond < threshold + 1e-9


@anything
@given(ROWS, DAY, st.data())
def test_order_of_rows_and_splitting_of_counts_are_of_no_account(
    rows: Rows, day: int, data: st.DataObject
) -> None:
    single = [(last, end, 1) for last, end, n in rows for _ in range(n)]
    again = data.draw(st.permutations(single))
    one, other = (
        survival_at_ratio(*columns(which)[:3], columns(which)[3], at=day, ratio=2.5)
        for which in (rows, again)
    )
    assert one == (other if other is None else pytest.approx(other, rel=1e-9, abs=1e-12))


def test_a_case_worked_by_hand() -> None:
    # Ten repairs; two lost on day 1; of the eight others four fail on day 2 and four are followed to day 3.
    # As followed half of those at risk fail: S = 1/2. At ratio 3 (1/2)^3 of the two lost stand: 4.25 of 10.
    time, failed, lost = [1] * 2 + [2] * 4 + [3] * 4, [0] * 2 + [1] * 4 + [0] * 4, [1] * 2 + [0] * 8
    assert survival_at_ratio(time, failed, lost, at=2, ratio=1) == pytest.approx(0.5)
    assert survival_at_ratio(time, failed, lost, at=2, ratio=3) == pytest.approx(0.425)
    assert survival_at_ratio(time, failed, lost, at=2, ratio=inf) == pytest.approx(0.4)
    assert tipping_point(time, failed, lost, at=2, threshold=0.425).ratio == pytest.approx(3)
    assert tipping_point(time, failed, lost, at=2, threshold=0.55).holds is False
    robust = tipping_point(time, failed, lost, at=2, threshold=0.4 - 1e-9)
    assert (robust.holds, robust.ratio) == (True, None)


def test_no_ratio_of_no_hazard_changes_anything() -> None:
    # Nobody fails after the loss: only failing on the very day of loss would bring the share down.
    time, failed, lost = [1, 2, 3, 3], [1, 0, 0, 0], [0, 1, 0, 0]
    assert tipping_point(time, failed, lost, at=3, threshold=0.6).ratio == inf


ROW_OF_EACH: tuple[list[int], list[int], list[int]] = ([1, 2], [1, 0], [0, 1])
WRONG: list[tuple[Callable[[], object], str]] = [
    (lambda: bounds([1, 2], [1, 0], [1, 1], at=1), r"lost\[0\] is 1 and so is failed"),
    (lambda: bounds([1, 2], [1, 0], [0, 2], at=1), r"lost\[1\] is 2: it must be 1"),
    (lambda: bounds([1, 2], [1, 0], [0], at=1), "lost has 1 values, time has 2"),
    (lambda: bounds(*ROW_OF_EACH, at=-1), "day is -1"),
    (lambda: survival_at_ratio(*ROW_OF_EACH, at=1, ratio=0.5), "ratio is 0.5: it must be 1 or more"),
    (
        lambda: tipping_point(*ROW_OF_EACH, at=1, threshold=1),
        "threshold is 1: it must be above 0 and below 1",
    ),
]


@pytest.mark.parametrize(("call", "message"), WRONG)
def test_says_what_is_wrong(call: Callable[[], object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()
