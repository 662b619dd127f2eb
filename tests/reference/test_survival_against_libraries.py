"""Second opinions where R's values are not at hand: lifelines 0.30 and statsmodels 0.15 on the same data.

The curve and the log-rank test are the project's own code; these confirm them.
"""

import warnings
from typing import Any

import numpy as np
import pytest
from lifelines import KaplanMeierFitter
from lifelines.statistics import multivariate_logrank_test
from statsmodels.duration.survfunc import SurvfuncRight, survdiff

from outcomes.estimators.comparison import LogRank, log_rank
from outcomes.estimators.survival import kaplan_meier
from tests.reference.selections import CURVES

GROUPED = [
    ("aml", "x"),
    ("veteran", "celltype"),
    ("freireich_6mp", "group"),
    ("diabetic", "trt"),
    ("mgus2", "sex"),
]


def by_age_in_months(truth: Any) -> tuple[np.ndarray, ...]:
    """Age at entry and end, death and sex of the patients of mgus2 who were followed at all."""
    age, months, died = (np.array(truth.data[name]) for name in ("age", "time", "status"))
    followed = months > 0
    return tuple(
        column[followed] for column in (12 * age, 12 * age + months, died, np.array(truth.data["sex"]))
    )


def numbers(test: LogRank | None) -> list[float]:
    assert test is not None
    return [test.statistic, test.p]


@pytest.mark.parametrize(("name", "selection"), CURVES)
def test_curve_of_lifelines(reference: Any, compare: Any, name: str, selection: str) -> None:
    truth = reference(name)
    time, status = truth.column("time", selection), truth.column("status", selection)
    with np.errstate(divide="ignore", invalid="ignore"):
        fitter = KaplanMeierFitter().fit(time, status)
    curve = kaplan_meier(time, status)
    # lifelines opens the curve with day 0.
    compare(
        "Kaplan-Meier (lifelines)",
        name,
        selection,
        curve.survival,
        fitter.survival_function_.iloc[1:, 0].tolist(),
    )


@pytest.mark.parametrize(("name", "by"), GROUPED)
def test_log_rank_of_lifelines(reference: Any, compare: Any, name: str, by: str) -> None:
    columns = [reference(name).column(column) for column in ("time", "status", by)]
    time, status, group = columns
    with np.errstate(divide="ignore", invalid="ignore"):
        theirs = multivariate_logrank_test(time, group, status)
    expected = [float(theirs.test_statistic), float(theirs.p_value)]
    compare("log-rank (lifelines)", name, by, numbers(log_rank(*columns)), expected)


def test_delayed_entry_of_statsmodels(reference: Any, compare: Any) -> None:
    entry, time, died, _ = by_age_in_months(reference("mgus2"))
    with warnings.catch_warnings(action="ignore"):
        theirs = SurvfuncRight(time, died, entry=entry)
    curve = kaplan_meier(time, died, entry=entry)
    failing = [place for place, failures in enumerate(curve.events_at) if failures]
    assert list(theirs.n_risk) == [curve.at_risk[place] for place in failing]
    compare(
        "Kaplan-Meier, late (statsmodels)",
        "mgus2",
        "curve",
        [curve.survival[place] for place in failing],
        theirs.surv_prob.tolist(),
    )


def test_log_rank_with_delayed_entry_of_statsmodels(reference: Any, compare: Any) -> None:
    # Without strata: with entries it mixes them up. The exact fractions of test_log_rank_variants have both.
    entry, time, died, sex = by_age_in_months(reference("mgus2"))
    statistic, _ = survdiff(time, died, sex, entry=entry)
    found, _ = numbers(log_rank(time, died, sex, entry=entry))
    compare("log-rank, late (statsmodels)", "mgus2", "sex", found, float(statistic))
