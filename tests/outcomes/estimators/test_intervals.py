"""Limits of the survival curve on their three scales, and the cautions a curve carries."""

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.estimators.survival import Interval, kaplan_meier
from tests.outcomes.estimators.exact import Row, any_row, columns, near

anything = settings(deadline=None, derandomize=True, max_examples=60)

ROWS = st.lists(any_row(patients="pqr"), min_size=1, max_size=15)
SCALES = st.sampled_from(["log-log", "log", "plain"])


@anything
@given(ROWS, SCALES, st.booleans(), st.booleans())
def test_limits_lie_in_0_to_1_about_a_curve_that_never_rises(
    rows: list[Row], scale: Any, late: bool, robust: bool
) -> None:
    time, failed, n, entry, patient = columns(rows, "time", "failed", "n", "entry", "patient")
    curve = kaplan_meier(
        time, failed, n, interval=scale, entry=entry if late else None, cluster=patient if robust else None
    )
    assert all(0 <= later <= earlier <= 1 for earlier, later in pairwise((1, *curve.survival)))
    for survival, error, lower, upper in zip(
        curve.survival, curve.std_error, curve.lower, curve.upper, strict=True
    ):
        assert (lower is None) == (upper is None)
        if error is None or (scale == "log-log" and survival == 1):
            assert lower is None
        elif lower is not None and upper is not None:
            assert 0 <= lower <= survival <= upper <= 1
    assert scale in curve.method


@anything
@given(ROWS, SCALES)
def test_limits_lie_as_far_out_as_the_scale_says(rows: list[Row], scale: Any) -> None:
    time, failed, n = columns(rows, "time", "failed", "n")
    curve = kaplan_meier(time, failed, n, interval=scale)
    for survival, error, lower, upper in zip(
        curve.survival, curve.std_error, curve.lower, curve.upper, strict=True
    ):
        if scale == "plain" and error is not None:
            reach = 1.959963984540054 * error
            assert near([lower, upper], [max(0, survival - reach), min(1, survival + reach)])
        if scale == "log" and lower is not None and upper is not None and upper < 1:
            # Even about the estimate in the logarithm.
            assert near([lower * upper], [survival**2])


def test_a_limit_that_rises_again_is_read_as_r_reads_it() -> None:
    # The upper log limit of aml: 0.5148 at 43, 0.4584 at 45, 0.4623 at 48; R's quantile.survfit says 48.
    time = [9, 13, 13, 18, 23, 28, 31, 34, 45, 48, 161, 5, 5, 8, 8, 12, 16, 23, 27, 30, 33, 43, 45]
    failed = [1, 1, 0, 1, 1, 0, 1, 1, 0, 1, 0, 1, 1, 1, 1, 1, 0, 1, 1, 1, 1, 1, 1]
    assert kaplan_meier(time, failed, interval="log").median == Interval(27, 18, 48)


def test_few_at_risk_at_a_landmark_caution() -> None:
    time, failed = range(1, 31), [1] * 30
    assert [caution.sentence for caution in kaplan_meier(time, failed, at=(5, 26, 40)).cautions] == [
        "Only 5 remain at risk (fewer than 10)."
    ]
    assert not kaplan_meier(time, failed, at=(5, 21)).cautions
    # Nothing is read past the last time, so nothing rests on few.
    assert not kaplan_meier(time, failed, at=(40,)).cautions


def test_a_scale_it_does_not_know() -> None:
    with pytest.raises(ValueError, match="interval is 'logit': it must be one of log-log, log, plain"):
        kaplan_meier([1], [1], interval="logit")  # type: ignore[arg-type]  # wrong on purpose
