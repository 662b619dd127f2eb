"""Every method that works out a figure: what it answers, its formula and reference, as the estimators say.

The page of methods is made of this; nothing of it is written twice.
"""

import inspect
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from outcomes import compared
from outcomes.estimators import (
    agreement,
    anonymity,
    baseline,
    centre,
    change,
    clustered,
    clustered_score,
    comparison,
    competing,
    follow_up,
    funnel,
    interval,
    monitoring,
    path,
    rates,
    restricted_mean,
    sensitivity,
    survival,
    trend,
)
from outcomes.estimators.regression import fit, result

Estimator = Callable[..., Any]


@dataclass(frozen=True)
class Method:
    """One method: the functions that estimate by it, and its method, formula and reference in words."""

    name: str
    estimators: tuple[Estimator, ...]
    method: str
    formula: str
    reference: str

    @cached_property
    def answers(self) -> str:
        """What each of its functions gives, by the first sentence of its docstring."""
        return " ".join(_first_paragraph(each) for each in self.estimators)

    @property
    def formula_lines(self) -> list[str]:
        """The formula, one part a line."""
        return self.formula.split("; ")


@dataclass(frozen=True)
class Family:
    """Methods that answer one question, which is the first line of their module."""

    question: str
    methods: tuple[Method, ...]


def families() -> Iterator[Family]:
    """All methods, those of one module together, in the order of METHODS."""
    modules = dict.fromkeys(inspect.getmodule(each.estimators[0]) for each in METHODS)
    for module in modules:
        its = tuple(each for each in METHODS if inspect.getmodule(each.estimators[0]) is module)
        yield Family(_first_paragraph(module), its)


def _first_paragraph(of: object) -> str:
    text = inspect.getdoc(of) or ""
    return " ".join(text.split("\n\n")[0].split())


METHODS: tuple[Method, ...] = (
    Method(
        "Kaplan-Meier survival",
        (survival.kaplan_meier,),
        f"{survival.METHOD} {survival.LATE_ENTRY}",
        survival.FORMULA,
        f"{survival.REFERENCE} {survival.REFERENCE_LATE_ENTRY}",
    ),
    Method(
        "Standard error with the patient as cluster",
        (clustered.variance_of_log,),
        f"{survival.BY_PATIENT[0].upper()}{survival.BY_PATIENT[1:]}.",
        clustered.FORMULA,
        clustered.REFERENCE,
    ),
    Method(
        "Log-rank test",
        (comparison.log_rank,),
        f"{comparison.METHOD} {comparison.WITHIN_STRATA}",
        comparison.FORMULA,
        comparison.REFERENCE,
    ),
    Method(
        "Test of groups with the patient as cluster",
        (clustered_score.robust_score,),
        clustered_score.METHOD,
        clustered_score.FORMULA,
        clustered_score.REFERENCE,
    ),
    Method(
        "Log-rank test in pairs",
        (comparison.pairwise_log_rank,),
        comparison.METHOD_PAIRWISE,
        comparison.FORMULA_PAIRWISE,
        comparison.REFERENCE_PAIRWISE,
    ),
    Method("Log-rank test for trend", (trend.trend_log_rank,), trend.METHOD, trend.FORMULA, trend.REFERENCE),
    Method(
        "Cox regression",
        (fit.cox,),
        f"{result.METHOD}; {result.ROBUST}.",
        result.FORMULA,
        result.REFERENCE,
    ),
    Method(
        "Cumulative hazard and failures expected",
        (baseline.breslow,),
        baseline.METHOD,
        baseline.FORMULA,
        baseline.REFERENCE,
    ),
    Method(
        "Cumulative incidence",
        (competing.cumulative_incidence, competing.cumulative_incidence_by_group),
        competing.METHOD.format(error=competing.JACKKNIFE, scale="log-log"),
        competing.FORMULA,
        competing.REFERENCE,
    ),
    Method(
        "Log-rank test of one cause",
        (competing.cause_specific_log_rank,),
        competing.METHOD_LOG_RANK.format(cause="a cause", method=comparison.METHOD),
        comparison.FORMULA,
        competing.REFERENCE_LOG_RANK,
    ),
    Method(
        "Restricted mean time without failure",
        (restricted_mean.restricted_mean,),
        restricted_mean.METHOD,
        restricted_mean.FORMULA,
        restricted_mean.REFERENCE,
    ),
    Method(
        "Difference of two restricted means",
        (restricted_mean.restricted_mean_difference,),
        restricted_mean.METHOD_DIFFERENCE,
        restricted_mean.FORMULA_DIFFERENCE,
        restricted_mean.REFERENCE,
    ),
    Method(
        "Two cohorts on the same day",
        (compared.landmark_differences,),
        compared.METHOD,
        compared.FORMULA,
        compared.REFERENCE,
    ),
    Method(
        "Failure found at a look",
        (interval.turnbull,),
        interval.METHOD,
        interval.FORMULA,
        interval.REFERENCE,
    ),
    Method(
        "Median follow-up",
        (follow_up.reverse_kaplan_meier,),
        follow_up.METHOD,
        follow_up.FORMULA,
        follow_up.REFERENCE,
    ),
    Method(
        "Completeness of follow-up",
        (follow_up.completeness, follow_up.clark_completeness),
        follow_up.COMPLETENESS_METHOD,
        follow_up.COMPLETENESS_FORMULA,
        follow_up.COMPLETENESS_REFERENCE,
    ),
    Method(
        "Bounds of survival by the lost",
        (sensitivity.bounds,),
        sensitivity.BOUNDS_METHOD,
        sensitivity.BOUNDS_FORMULA,
        sensitivity.BOUNDS_REFERENCE,
    ),
    Method(
        "Tipping point",
        (sensitivity.tipping_point, sensitivity.survival_at_ratio),
        sensitivity.TIPPING_METHOD,
        sensitivity.TIPPING_FORMULA,
        sensitivity.TIPPING_REFERENCE,
    ),
    Method(
        "Share of a whole",
        (rates.proportion,),
        rates.PROPORTION_METHOD,
        rates.PROPORTION_FORMULA,
        rates.PROPORTION_REFERENCE,
    ),
    Method(
        "Rate over person-time", (rates.rate,), rates.RATE_METHOD, rates.RATE_FORMULA, rates.RATE_REFERENCE
    ),
    Method(
        "Observed over expected",
        (rates.observed_expected,),
        rates.RATIO_METHOD,
        rates.RATIO_FORMULA,
        rates.RATIO_REFERENCE,
    ),
    Method(
        "Funnel",
        (funnel.funnel, funnel.funnel_limits),
        funnel.FUNNEL_METHOD,
        funnel.FUNNEL_FORMULA,
        funnel.FUNNEL_REFERENCE,
    ),
    Method(
        "Sequence monitor",
        (monitoring.cusum,),
        monitoring.CUSUM_METHOD,
        monitoring.CUSUM_FORMULA,
        monitoring.CUSUM_REFERENCE,
    ),
    Method(
        "Run length of the monitor",
        (monitoring.run_length, monitoring.limit_for_run_length),
        monitoring.RUN_LENGTH_METHOD,
        monitoring.RUN_LENGTH_FORMULA,
        monitoring.RUN_LENGTH_REFERENCE,
    ),
    Method(
        "A finding against the look",
        (agreement.diagnostic,),
        agreement.DIAGNOSTIC_METHOD,
        agreement.DIAGNOSTIC_FORMULA,
        rates.PROPORTION_REFERENCE,
    ),
    Method(
        "Agreement of two readers",
        (agreement.kappa, agreement.kappa_of_ratings),
        agreement.KAPPA_METHOD,
        agreement.KAPPA_FORMULA,
        agreement.KAPPA_REFERENCE,
    ),
    Method("Mean of scores", (centre.mean,), centre.MEAN_METHOD, centre.MEAN_FORMULA, centre.MEAN_REFERENCE),
    Method(
        "Median of scores",
        (centre.median,),
        centre.MEDIAN_METHOD,
        centre.MEDIAN_FORMULA,
        centre.MEDIAN_REFERENCE,
    ),
    Method(
        "Change within patients",
        (change.paired_change,),
        change.CHANGE_METHOD,
        change.CHANGE_FORMULA,
        centre.MEAN_REFERENCE,
    ),
    Method(
        "Share that reached a threshold",
        (change.share_reaching, change.share_improved),
        change.SHARE_METHOD,
        change.SHARE_FORMULA,
        rates.PROPORTION_REFERENCE,
    ),
    Method(
        "Score over time", (path.path_over_time,), path.PATH_METHOD, path.PATH_FORMULA, path.PATH_REFERENCE
    ),
    Method(
        "Anonymity of a table",
        (anonymity.anonymity,),
        anonymity.METHOD,
        anonymity.FORMULA,
        anonymity.REFERENCE,
    ),
)
