"""Are patients better: change from before to after, share above a threshold, path of a score over time."""

from __future__ import annotations

import operator as operators
import warnings
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.stats import t
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMResults

from outcomes.estimators import checks
from outcomes.estimators.cautions import (
    Caution,
    below_measurement_error,
    ceiling,
    not_converged,
    out_of_reach,
    patients_alike,
)
from outcomes.estimators.normal import Z_95
from outcomes.estimators.rates import PROPORTION_REFERENCE, Proportion, proportion

FloatArray = NDArray[np.float64]
Operator = Literal[">=", ">"]

CHANGE_METHOD = "Mean change of a score within patients, after minus before, with a 95 % paired t interval."
CHANGE_REFERENCE = "Student. Biometrika 1908;6:1-25."
SHARE_METHOD = (
    "Share of patients whose unrounded score or change lies above a published threshold, or on it where the "
    "operator published with it says so, with the 95 % score interval of Wilson; those who began too near "
    "the best score to get there are counted apart."
)
PATH_METHOD = (
    "Mean score at each time point from a mixed model with a random intercept for each patient (restricted "
    "maximum likelihood), 95 % Wald intervals; gaps are allowed where the other scores explain them."
)
PATH_REFERENCE = "Laird NM, Ware JH. Biometrics 1982;38:963-74."

# A within-patient variance so small beside the whole is rounding, and the model has no optimum.
NO_VARIATION = 1e-10
# A between-patient variance so small beside the within-patient one lies on its bound, 0.
ON_THE_BOUND = 1e-6
# Tighter than the optimiser's default, so that balanced data give the closed form to six digits.
OPTIMISER_TOLERANCE = 1e-12

_REACHES: dict[str, Callable[[FloatArray, float], NDArray[np.bool_]]] = {
    ">=": operators.ge,
    ">": operators.gt,
}


@dataclass(frozen=True, slots=True)
class PairedChange:
    """Mean change of `n` patients with both scores, positive for better; `left_out` had one score or none.

    `at_best` of the `n` began at the best score and could not improve. Limits are None for fewer than two.
    """

    n: int
    left_out: int
    at_best: int
    mean_before: float | None
    mean_after: float | None
    estimate: float | None
    std_error: float | None
    lower: float | None
    upper: float | None
    method: str
    reference: str
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class ShareReaching:
    """How many reached a threshold; `out_of_reach` and `left_out` (no score) aren't among them."""

    threshold: float
    operator: Operator
    reached: Proportion
    out_of_reach: int
    left_out: int
    method: str
    reference: str
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class PathPoint:
    """The mean at one time point, from `n` scores; None where the model found no answer."""

    time_point: Hashable
    n: int
    estimate: float | None
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True)
class PathOverTime:
    """A score's mean over time, with how far patients differ and how far one patient's own scores do."""

    points: tuple[PathPoint, ...]
    patients: int
    n: int
    left_out: int
    between_patients_sd: float | None
    within_patient_sd: float | None
    method: str
    reference: str
    cautions: tuple[Caution, ...]


def paired_change(
    before: ArrayLike, after: ArrayLike, *, best: float | None = None, lower_is_better: bool = False
) -> PairedChange:
    """Estimate the mean change within patients.

    Parameters
    ----------
    before, after : array_like of float, shape (patients,)
        Scores of the same patients, missing where not answered.
    best : float, optional
        The best score of the instrument; without it nobody counts as having begun there.
    lower_is_better : bool
        True for scores such as pain, so that a positive change is an improvement in all.

    Raises
    ------
    ValueError
        If a column holds anything but numbers, or the columns differ in length.
    """
    first, second, left_out = _pairs(before, after)
    change, room = _towards_best(first, second, best, lower_is_better)
    at_best = int(np.count_nonzero(room <= 0))
    mean, std_error, half_width = _mean_with_t(change)
    caution = ceiling(at_best, change.size)
    return PairedChange(
        n=change.size,
        left_out=left_out,
        at_best=at_best,
        mean_before=float(first.mean()) if first.size else None,
        mean_after=float(second.mean()) if second.size else None,
        estimate=mean,
        std_error=std_error,
        lower=None if mean is None or half_width is None else mean - half_width,
        upper=None if mean is None or half_width is None else mean + half_width,
        method=CHANGE_METHOD,
        reference=CHANGE_REFERENCE,
        cautions=(caution,) if caution else (),
    )


def _pairs(before: ArrayLike, after: ArrayLike) -> tuple[FloatArray, FloatArray, int]:
    first, second = _scores("before", before), _scores("after", after)
    checks.same_length(before=first, after=second)
    both = ~(np.isnan(first) | np.isnan(second))
    return first[both], second[both], int(np.count_nonzero(~both))


def _scores(name: str, values: ArrayLike) -> FloatArray:
    """Give scores as floats, NaN where missing."""
    column = np.asarray(values, dtype=object)
    missing = pd.isna(column)
    scores = np.full(column.shape, np.nan)
    scores[~missing] = [checks.finite(f"{name}[{row}]", column[row]) for row in np.flatnonzero(~missing)]
    return scores


def _towards_best(
    before: FloatArray, after: FloatArray, best: float | None, lower_is_better: bool
) -> tuple[FloatArray, FloatArray]:
    """Give each patient's change for the better, and the room there was for it."""
    sign = -1.0 if lower_is_better else 1.0
    end = sign * np.inf if best is None else checks.finite("best", best)
    return sign * (after - before), sign * (end - before)


def _mean_with_t(values: FloatArray) -> tuple[float | None, float | None, float | None]:
    """Give mean, standard error and half the width of the 95 % t interval, as far as defined."""
    if not values.size:
        return None, None, None
    if values.size == 1:
        return float(values[0]), None, None
    std_error = float(values.std(ddof=1)) / sqrt(values.size)
    return float(values.mean()), std_error, float(t.ppf(0.975, values.size - 1)) * std_error


def share_reaching(
    values: ArrayLike,
    threshold: float,
    operator: Operator,
    *,
    room: ArrayLike | None = None,
    measurement_error: float | None = None,
) -> ShareReaching:
    """Count who reached a threshold: the acceptable state (PASS), or the least important change (MCID).

    Parameters
    ----------
    values : array_like of float, shape (patients,)
        Unrounded scores, or changes for the better; missing where not answered.
    threshold : float
        As published.
    operator : {">=", ">"}
        As published: whether the threshold itself counts.
    room : array_like of float, shape (patients,), optional
        The largest value each patient could reach; those who could not reach the threshold are counted apart.
    measurement_error : float, optional
        The smallest change that can be told from error in one person, on the scale of `values`.

    Raises
    ------
    ValueError
        If an argument breaks its rule.
    """
    limit, reaches = checks.finite("threshold", threshold), _reaching(operator)
    scores = _scores("values", values)
    reachable = np.full(scores.shape, np.inf) if room is None else np.asarray(room, dtype=np.float64)
    checks.same_length(values=scores, room=reachable)
    answered = ~np.isnan(scores)
    scores, reachable = scores[answered], reachable[answered]
    in_reach = reaches(reachable, limit)
    at_best, too_near = (int(np.count_nonzero(apart)) for apart in (reachable <= 0, ~in_reach))
    reached = proportion(int(np.count_nonzero(reaches(scores, limit) & in_reach)), scores.size - too_near)
    said = (
        None if measurement_error is None else below_measurement_error(limit, measurement_error),
        None if room is None else ceiling(at_best, scores.size),
        out_of_reach(too_near, scores.size),
    )
    return ShareReaching(
        threshold=limit,
        operator=operator,
        reached=reached,
        out_of_reach=too_near,
        left_out=int(np.count_nonzero(~answered)),
        method=SHARE_METHOD,
        reference=PROPORTION_REFERENCE,
        cautions=tuple(caution for caution in (*said, *reached.cautions) if caution),
    )


def _reaching(operator: str) -> Callable[[FloatArray, float], NDArray[np.bool_]]:
    if operator not in _REACHES:
        raise ValueError(f"operator is {operator}: it must be one of {', '.join(_REACHES)}, as published")
    return _REACHES[operator]


def share_improved(
    before: ArrayLike,
    after: ArrayLike,
    threshold: float,
    operator: Operator,
    *,
    best: float,
    lower_is_better: bool = False,
    measurement_error: float | None = None,
) -> ShareReaching:
    """Count who changed for the better by a threshold (MCID), among those who had room for it.

    Parameters
    ----------
    before, after, best, lower_is_better
        As in `paired_change`; pairs that aren't complete count as left out.
    threshold, operator, measurement_error
        As in `share_reaching`, of the change.

    Raises
    ------
    ValueError
        If an argument breaks its rule.
    """
    first, second = _scores("before", before), _scores("after", after)
    checks.same_length(before=first, after=second)
    change, room = _towards_best(first, second, best, lower_is_better)
    return share_reaching(change, threshold, operator, room=room, measurement_error=measurement_error)


def path_over_time(frame: pd.DataFrame) -> PathOverTime:
    """Estimate a score's mean at each time point, patients with gaps included.

    Parameters
    ----------
    frame : DataFrame
        Columns `patient`, `time_point` (of one sortable kind) and `value`; one row a score. Rows with a
        missing value are left out and counted.

    Returns
    -------
    PathOverTime
        With the caution `not_converged` and no estimates when the fit finds no answer.

    Raises
    ------
    ValueError
        If a column is missing, a patient has two scores at one time point, or no patient has scores at two.

    Notes
    -----
    The variances and means are those of statsmodels' MixedLM, the standard errors those of Laird and Ware. On
    complete data these are the plain means, and sqrt((MSB + (T - 1) MSE) / (n T)) of the repeated-measures
    analysis of variance.
    """
    scored, left_out = _scored(frame)
    points = sorted(scored["time_point"].unique().tolist())
    counts = scored["time_point"].value_counts()
    fit = _fit_random_intercept(scored, points)
    means = [(None, None, None)] * len(points) if fit is None else _wald(fit, scored)
    return PathOverTime(
        points=tuple(
            PathPoint(point, int(counts[point]), *mean) for point, mean in zip(points, means, strict=True)
        ),
        patients=int(scored["patient"].nunique()),
        n=len(scored),
        left_out=left_out,
        between_patients_sd=None if fit is None else sqrt(float(fit.cov_re[0, 0])),
        within_patient_sd=None if fit is None else sqrt(float(fit.scale)),
        method=PATH_METHOD,
        reference=PATH_REFERENCE,
        cautions=_fit_cautions(fit),
    )


def _scored(frame: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    columns = ["patient", "time_point", "value"]
    lacking = [name for name in columns if name not in frame]
    if lacking:
        raise ValueError(f"frame has no column {lacking[0]}: it must have {', '.join(columns)}")
    rows = frame[columns].assign(value=_scores("value", frame["value"].to_numpy()))
    scored = rows[rows["value"].notna()]
    twice = scored[scored.duplicated(["patient", "time_point"])]
    if len(twice):
        patient, point = twice["patient"].iloc[0], twice["time_point"].iloc[0]
        raise ValueError(f"patient {patient} has two values at time point {point}: choose one of them")
    if not scored.duplicated("patient").any():
        raise ValueError("value is there at most once a patient: a path needs a patient with two time points")
    return scored, len(rows) - len(scored)


def _fit_random_intercept(scored: pd.DataFrame, points: Sequence[Hashable]) -> MixedLMResults | None:
    exposed = np.equal.outer(scored["time_point"].to_numpy(), np.asarray(points)).astype(np.float64)
    # Its warnings come back as cautions of the result.
    with warnings.catch_warnings(action="ignore"), np.errstate(all="ignore"):
        try:
            model = MixedLM(scored["value"].to_numpy(), exposed, groups=scored["patient"].to_numpy())
            fit = model.fit(method="powell", ftol=OPTIMISER_TOLERANCE)
            return fit if _has_settled(fit, scored["value"]) else None
        except np.linalg.LinAlgError:
            return None


def _has_settled(fit: MixedLMResults, values: pd.Series[float]) -> bool:
    found = np.array([*fit.fe_params, *np.ravel(fit.cov_re), fit.scale])
    return bool(fit.converged and np.isfinite(found).all() and fit.scale > NO_VARIATION * values.var())


def _wald(fit: MixedLMResults, scored: pd.DataFrame) -> list[tuple[float | None, float | None, float | None]]:
    half_widths = Z_95 * _std_errors(scored, float(fit.cov_re[0, 0]), float(fit.scale))
    return [
        (float(mean), float(mean - half), float(mean + half))
        for mean, half in zip(fit.fe_params, half_widths, strict=True)
    ]


def _std_errors(scored: pd.DataFrame, between: float, within: float) -> FloatArray:
    """Give the standard errors of the means for known variances, the root of (X' V^-1 X)^-1's diagonal.

    statsmodels' own come from the curvature of the likelihood instead and move by some tenths of a per cent
    where scores are missing.
    """
    present = pd.crosstab(scored["patient"], scored["time_point"]).to_numpy(dtype=np.float64)
    shrinkage = between / (within + between * present.sum(axis=1))
    information = (np.diag(present.sum(axis=0)) - present.T @ (shrinkage[:, np.newaxis] * present)) / within
    errors: FloatArray = np.sqrt(np.diag(np.linalg.inv(information)))
    return errors


def _fit_cautions(fit: MixedLMResults | None) -> tuple[Caution, ...]:
    if fit is None:
        return (not_converged(),)
    alike = float(fit.cov_re[0, 0]) <= ON_THE_BOUND * float(fit.scale)
    return (patients_alike(),) if alike else ()
