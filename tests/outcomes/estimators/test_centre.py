"""Mean and median of scores: against scipy and the standard library, with what is missing left out."""

from math import nan
from statistics import fmean, quantiles

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from outcomes.estimators.centre import mean, median

anything = settings(deadline=None, derandomize=True, max_examples=60)
SCORES = st.lists(st.integers(0, 100), min_size=2, max_size=30)


@anything
@given(SCORES)
def test_mean_with_its_t_interval(scores: list[int]) -> None:
    found = mean([*scores, None])
    assert (found.n, found.estimate) == (len(scores), pytest.approx(fmean(scores)))
    if len(set(scores)) > 1:
        limits = stats.ttest_1samp(scores, 0).confidence_interval(0.95)
        assert (found.lower, found.upper) == pytest.approx((limits.low, limits.high), rel=1e-9, abs=1e-9)
    else:
        assert found.lower == found.upper == found.estimate


@anything
@given(SCORES)
def test_median_with_quartiles(scores: list[int]) -> None:
    found = median([nan, *scores])
    assert (found.lower, found.estimate, found.upper) == pytest.approx(
        tuple(quantiles(scores, n=4, method="inclusive"))
    )


def test_too_few_for_limits_or_for_anything() -> None:
    assert (mean([3]).estimate, mean([3]).lower) == (3, None)
    assert (mean([None]).n, mean([]).estimate, median([]).estimate) == (0, None, None)


def test_what_is_no_number_is_named() -> None:
    with pytest.raises(ValueError, match=r"values\[1\] is high: it must be a finite number"):
        mean([1, "high"])
