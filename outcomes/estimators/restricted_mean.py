"""Mean time without failure up to a horizon tau: the area under the Kaplan-Meier curve, and how two differ.

Own code for the standard error: lifelines gives the variance of one repair's time, not that of the mean.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan, sqrt

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import norm

from outcomes.estimators import checks, clustered
from outcomes.estimators.cautions import Caution, few_at_risk
from outcomes.estimators.normal import Z_95
from outcomes.estimators.observations import FloatArray, Observations, RiskTable, risk_table
from outcomes.estimators.survival import BY_PATIENT, GREENWOOD

FORMULA = (
    "mu(tau) = area under S(t) from 0 to tau; Var mu(tau) = sum over s <= tau of (area under S from s to "
    "tau) ^ 2 d(s) / (n(s) (n(s) - d(s)))."
)
SENTENCE = (
    "Restricted mean: time without failure up to tau, as the area under the Kaplan-Meier curve, {error}, "
    "95 % normal interval."
)
METHOD = SENTENCE.format(error=GREENWOOD)
FORMULA_DIFFERENCE = "z = (mu_1 - mu_2) / sqrt(Var mu_1 + Var mu_2)."
METHOD_DIFFERENCE = (
    "Difference of two restricted means with the same tau, groups independent of each other, 95 % normal "
    "interval and two-sided z test."
)
# Both from memory.
REFERENCE = (
    "Klein JP, Moeschberger ML. Survival Analysis, 2nd ed. Springer, 2003, section 4.5. "
    "Royston P, Parmar MKB. BMC Med Res Methodol 2013;13:152."
)


@dataclass(frozen=True, slots=True)
class RestrictedMean:
    """Mean time without failure up to `tau`, both in the unit of time, with 95 % limits.

    The limits are not cut off at 0 and tau. Error and limits are None for a single patient as the only
    cluster.
    """

    tau: float
    estimate: float
    std_error: float | None
    lower: float | None
    upper: float | None
    n: int
    events: int
    robust: bool
    method: str
    reference: str
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class RestrictedMeanDifference:
    """One restricted mean less another; without an error of both, error, limits and test are None."""

    tau: float
    estimate: float
    std_error: float | None
    lower: float | None
    upper: float | None
    z: float | None
    p: float | None
    n: int
    events: int
    method: str
    reference: str
    cautions: tuple[Caution, ...]


def restricted_mean(
    time: ArrayLike,
    failed: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    tau: float | None = None,
    entry: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
) -> RestrictedMean:
    """Estimate the mean time without failure, counting at most `tau` of each repair.

    Parameters
    ----------
    time, failed, weights, entry, cluster : array_like, shape (rows,)
        As in `clustered.sample`.
    tau : float, optional
        Horizon in the unit of `time`; the last time when not given. To compare groups give all the same, no
        more than the smallest of their last times. Events counted are those up to tau.

    Raises
    ------
    ValueError
        If a column breaks its rule, no row is left, or tau is not above 0 or past the end of a curve that has
        not come down to 0.

    Notes
    -----
    Variance: the sum over times up to tau of (area under the curve from there to tau)^2 d / (n (n - d)), as
    R's survmean; where all fail the area is 0. With `cluster` the infinitesimal jackknife takes its place.
    """
    rows, of = clustered.sample(time, failed, weights, entry, cluster)
    table = risk_table(rows)
    tau = _horizon(tau, table)
    areas = _areas(table, tau)
    std_error = sqrt(_variance(rows, table, of, areas[1:]))
    return RestrictedMean(
        tau,
        float(areas[0]),
        *_error_and_limits(float(areas[0]), std_error),
        n=int(rows.weights.sum()),
        events=int(table.failures[table.moments.time <= tau].sum()),
        robust=of is not None,
        method=SENTENCE.format(error=BY_PATIENT) if of else METHOD,
        reference=f"{REFERENCE} {clustered.REFERENCE}" if of else REFERENCE,
        cautions=_cautions(table, tau),
    )


def restricted_mean_difference(a: RestrictedMean, b: RestrictedMean) -> RestrictedMeanDifference:
    """Take `b` from `a`: how much longer repairs of the first group last, up to the tau of both.

    Raises
    ------
    ValueError
        If they have not the same tau.

    Notes
    -----
    The variances add up, as for independent groups. Patients with a repair in each make them dependent; no
    `cluster` mends that.
    """
    if a.tau != b.tau:
        raise ValueError(f"tau is {a.tau} in a and {b.tau} in b: it must be the same; give both the smaller")
    estimate = a.estimate - b.estimate
    std_error = None if a.std_error is None or b.std_error is None else sqrt(a.std_error**2 + b.std_error**2)
    z = estimate / std_error if std_error else None
    return RestrictedMeanDifference(
        a.tau,
        estimate,
        *_error_and_limits(estimate, std_error),
        z=z,
        p=None if z is None else float(2 * norm.sf(abs(z))),
        n=a.n + b.n,
        events=a.events + b.events,
        method=f"{METHOD_DIFFERENCE} {a.method}",
        reference=a.reference,
        cautions=tuple(dict.fromkeys((*a.cautions, *b.cautions))),
    )


def _horizon(tau: float | None, table: RiskTable) -> float:
    last = float(table.moments.time[-1])
    if tau is None:
        return last
    tau = checks.above_zero("tau", tau)
    if tau > last and table.survival()[-1] > 0:
        raise ValueError(
            f"tau is {tau}: it must be no more than the last time, {last}, since nothing is known past it; "
            "lower it"
        )
    return tau


def _areas(table: RiskTable, tau: float) -> FloatArray:
    """Give the area under the curve from 0 to tau, and then from each time to tau."""
    starts = np.minimum(np.append(0, table.moments.time), tau)
    steps = np.append(1, table.survival()) * np.diff(np.append(starts, tau))
    areas: FloatArray = steps[::-1].cumsum()[::-1]
    return areas


def _variance(
    rows: Observations, table: RiskTable, of: clustered.Patients | None, area_after: FloatArray
) -> float:
    if of is None:
        return float(area_after**2 @ table.greenwood_terms())
    return clustered.variance_of_weighted(rows, table, of, area_after)


def _error_and_limits(
    estimate: float, std_error: float | None
) -> tuple[float | None, float | None, float | None]:
    if std_error is None or isnan(std_error):
        return None, None, None
    return std_error, estimate - Z_95 * std_error, estimate + Z_95 * std_error


def _cautions(table: RiskTable, tau: float) -> tuple[Caution, ...]:
    """Caution where few are left at tau, so that the end of the area rests on them."""
    at_tau = np.searchsorted(table.moments.time, tau)
    caution = few_at_risk(int(table.at_risk[at_tau])) if at_tau < table.at_risk.size else None
    return (caution,) if caution else ()
