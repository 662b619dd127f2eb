"""Where the scores of many lie: their mean with its interval, or for ordered levels median and quartiles."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.stats import t

from outcomes.estimators import checks

FloatArray = NDArray[np.float64]

MEAN_FORMULA = "Mean +/- t(0.975; n - 1) s / sqrt(n)."
MEAN_METHOD = "Plain mean of the scores there are, with the 95 % t interval."
MEAN_REFERENCE = "Student. Biometrika 1908;6:1-25."
MEDIAN_FORMULA = (
    "Quantile p: the value at place 1 + (n - 1) p of the values in order, by linear interpolation."
)
MEDIAN_METHOD = "Median and quartiles of the scores there are, by linear interpolation between neighbours."
MEDIAN_REFERENCE = "Hyndman RJ, Fan Y. Am Stat 1996;50:361-5, definition 7."


@dataclass(frozen=True, slots=True)
class Centre:
    """Middle of `n` scores with what lies around it, on the scores' own units; None where undefined.

    `lower` and `upper` are 95 % limits of a mean, or the quartiles beside a median: `method` says which.
    """

    n: int
    estimate: float | None
    lower: float | None
    upper: float | None
    method: str
    reference: str


def mean(values: ArrayLike) -> Centre:
    """Estimate a mean; missing scores are left out, and one score alone has no limits.

    Parameters
    ----------
    values : array_like of float, shape (patients,)
        Scores or changes, missing where not answered.

    Raises
    ------
    ValueError
        If a value is anything but a number.
    """
    known = _known(values)
    estimate, _, half = mean_with_t(known)
    lower, upper = (None, None) if estimate is None or half is None else (estimate - half, estimate + half)
    return Centre(known.size, estimate, lower, upper, MEAN_METHOD, MEAN_REFERENCE)


def median(values: ArrayLike) -> Centre:
    """Give median and quartiles; missing scores are left out.

    Parameters
    ----------
    values : array_like of float, shape (patients,)
        Ordered levels or their changes, missing where not answered.

    Raises
    ------
    ValueError
        If a value is anything but a number.
    """
    known = _known(values)
    if not known.size:
        return Centre(0, None, None, None, MEDIAN_METHOD, MEDIAN_REFERENCE)
    lower, middle, upper = (float(value) for value in np.quantile(known, (0.25, 0.5, 0.75)))
    return Centre(known.size, middle, lower, upper, MEDIAN_METHOD, MEDIAN_REFERENCE)


def mean_with_t(values: FloatArray) -> tuple[float | None, float | None, float | None]:
    """Give mean, standard error and half the width of the 95 % t interval, as far as defined."""
    if not values.size:
        return None, None, None
    if values.size == 1:
        return float(values[0]), None, None
    std_error = float(values.std(ddof=1)) / sqrt(values.size)
    return float(values.mean()), std_error, float(t.ppf(0.975, values.size - 1)) * std_error


def scores(name: str, values: ArrayLike) -> FloatArray:
    """Give scores as floats, NaN where missing; ValueError naming the first that is no finite number."""
    column = np.asarray(values)
    if column.dtype.kind not in "fiu":
        column = np.asarray(values, dtype=object)
        missing = pd.isna(column)
        known = np.full(column.shape, np.nan)
        known[~missing] = [checks.finite(f"{name}[{row}]", column[row]) for row in np.flatnonzero(~missing)]
        return known
    known = column.astype(np.float64)
    endless = np.flatnonzero(np.isinf(known))
    if endless.size:
        checks.finite(f"{name}[{endless[0]}]", known[endless[0]])
    return known


def _known(values: ArrayLike) -> FloatArray:
    column = scores("values", values)
    return column[~np.isnan(column)]
