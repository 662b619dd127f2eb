"""A score's mean over time, patients with gaps included."""

from __future__ import annotations

import warnings
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np
import pandas as pd
from pandas.api.types import infer_dtype
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMResults

from outcomes.estimators.cautions import Caution, nobody_twice, not_converged, patients_alike
from outcomes.estimators.centre import FloatArray, scores
from outcomes.estimators.normal import Z_95

PATH_FORMULA = (
    "y_ij = m_j + b_i + e_ij, b_i normal between patients i, e_ij normal within, m_j the mean at time "
    "point j."
)
PATH_METHOD = (
    "Mean score at each time point from a mixed model with a random intercept for each patient (restricted "
    "maximum likelihood), 95 % Wald intervals; gaps are allowed where the other scores explain them."
)
PATH_REFERENCE = "Laird NM, Ware JH. Biometrics 1982;38:963-74."

# What pandas calls columns whose order in time nobody told.
WITHOUT_ORDER = ("string", "categorical", "mixed", "mixed-integer")
# A within-patient variance so small beside the whole is rounding, and the model has no optimum.
NO_VARIATION = 1e-10
# A between-patient variance so small beside the within-patient one lies on its bound, 0.
ON_THE_BOUND = 1e-6
# Tighter than the optimiser's default, so that balanced data give the closed form to six digits.
OPTIMISER_TOLERANCE = 1e-12


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


def path_over_time(frame: pd.DataFrame) -> PathOverTime:
    """Estimate a score's mean at each time point, patients with gaps included.

    Parameters
    ----------
    frame : DataFrame
        Columns `patient`, `time_point` (numbers, dates, or ordered categories in their order) and `value`;
        one row a score. Rows with a missing value are left out and counted.

    Returns
    -------
    PathOverTime
        No estimates, and a caution, where no patient has scores at two time points (`nobody_twice`) or the
        fit finds no answer (`not_converged`).

    Raises
    ------
    ValueError
        If a column is missing, time points are text, whose order nobody told, or a patient has two scores
        at one time point.

    Notes
    -----
    The variances and means are those of statsmodels' MixedLM, the standard errors those of Laird and Ware. On
    complete data these are the plain means, and sqrt((MSB + (T - 1) MSE) / (n T)) of the repeated-measures
    analysis of variance.
    """
    scored, left_out = _scored(frame)
    points = _in_order(scored["time_point"])
    counts: dict[Hashable, int] = scored["time_point"].value_counts().to_dict()
    twice = bool(scored.duplicated("patient").any())
    fit = _fit_random_intercept(scored, points) if twice else None
    means = [(None, None, None)] * len(points) if fit is None else _wald(fit, scored)
    return PathOverTime(
        points=tuple(
            PathPoint(point, counts[point], *mean) for point, mean in zip(points, means, strict=True)
        ),
        patients=int(scored["patient"].nunique()),
        n=len(scored),
        left_out=left_out,
        between_patients_sd=None if fit is None else sqrt(float(fit.cov_re[0, 0])),
        within_patient_sd=None if fit is None else sqrt(float(fit.scale)),
        method=PATH_METHOD,
        reference=PATH_REFERENCE,
        cautions=_fit_cautions(fit) if twice else (nobody_twice(),),
    )


def _scored(frame: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    columns = ["patient", "time_point", "value"]
    lacking = [name for name in columns if name not in frame]
    if lacking:
        raise ValueError(f"frame has no column {lacking[0]}: it must have {', '.join(columns)}")
    rows = frame[columns].assign(value=scores("value", frame["value"].to_numpy()))
    scored = rows[rows["value"].notna()]
    twice = scored[scored.duplicated(["patient", "time_point"])]
    if len(twice):
        patient, point = twice["patient"].iloc[0], twice["time_point"].iloc[0]
        raise ValueError(f"patient {patient} has two values at time point {point}: choose one of them")
    return scored, len(rows) - len(scored)


def _in_order(time_points: pd.Series[Any]) -> list[Hashable]:
    """Give the time points there are, in the order of time; text has none, "120m" goes before "12m" in it."""
    there = time_points.unique()
    if isinstance(time_points.dtype, pd.CategoricalDtype) and time_points.cat.ordered:
        return [point for point in time_points.cat.categories if point in there]
    if infer_dtype(time_points) in WITHOUT_ORDER:
        raise ValueError(
            f"time_point is text or unordered, such as {there[0]}: give numbers, dates or ordered categories"
        )
    return sorted(there.tolist())


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
