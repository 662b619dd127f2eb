"""What a Cox model expects: the cumulative hazard behind its ratios, and the failures it foretells.

Own code, since lifelines counts late entries as at risk from the start when it works out its baseline.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.estimators.cautions import Caution
from outcomes.estimators.observations import FloatArray, check_length, observations
from outcomes.estimators.regression import CoxFit

FORMULA = (
    "H(t) = sum over s <= t of d(s) / sum over those at risk of exp(b' x); expected of one repair: exp(b' "
    "x) (H(time) - H(entry))."
)
METHOD = (
    "Cumulative hazard of Breslow: at each failure time the failures over the summed hazard ratios of those "
    "at risk; without covariates it is the estimate of Nelson and Aalen. The failures expected of a repair "
    "are its hazard ratio times the hazard that its own follow-up passed through."
)
# Berry from memory.
REFERENCE = (
    "Breslow NE, in the discussion of Cox DR. J R Stat Soc B 1972;34:216-7. Aalen O. Ann Stat 1978;6:701-26. "
    "Expected failures: Berry G. Biometrics 1983;39:173-84."
)


@dataclass(frozen=True, slots=True)
class CumulativeHazard:
    """A step function: `cumulative` holds from each failure time on; nobody was followed beyond `last`."""

    time: tuple[float, ...]
    cumulative: tuple[float, ...]
    last: float
    n: int
    events: int
    method: str = METHOD
    reference: str = REFERENCE
    cautions: tuple[Caution, ...] = ()

    def at(self, time: ArrayLike) -> FloatArray:
        """Read the hazard gathered up to and on each time; level beyond the last failure.

        Parameters
        ----------
        time : array_like, shape (rows,)
            In the unit of the times it was estimated from; minus infinity reads 0.
        """
        steps = np.append(0.0, self.cumulative)
        read: FloatArray = steps[np.searchsorted(self.time, np.asarray(time, np.float64), side="right")]
        return read

    def expected(
        self, time: ArrayLike, predictor: ArrayLike | None = None, entry: ArrayLike | None = None
    ) -> FloatArray:
        """Give the failures expected of each row while it was followed, shape (rows,).

        Parameters
        ----------
        time, entry : array_like, shape (rows,)
            End of follow-up and late entry, as in `observations`.
        predictor : array_like, shape (rows,), optional
            Log hazard ratios; 0 when not given.

        Notes
        -----
        exp(predictor) (H(time) - H(entry)). Over the rows it was estimated from they sum to the failures.
        """
        ends = np.asarray(time, np.float64)
        rows = observations(ends, np.zeros(ends.size), None, entry)
        passed = self.at(rows.time) - self.at(rows.entry)
        awaited: FloatArray = _ratios(predictor, rows.time.size) * passed
        return awaited

    def risk(self, time: float, predictor: ArrayLike) -> FloatArray:
        """Give each row's risk of failing by `time`, 1 - exp(-H(time) exp(predictor)), shape (rows,)."""
        ratios = np.exp(np.asarray(predictor, np.float64))
        risks: FloatArray = -np.expm1(-self.at([time])[0] * ratios)
        return risks


def breslow(
    time: ArrayLike,
    failed: ArrayLike,
    predictor: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    entry: ArrayLike | None = None,
) -> CumulativeHazard:
    """Estimate the cumulative hazard of a repair whose log hazard ratio is 0.

    Parameters
    ----------
    time, failed, weights, entry : array_like, shape (rows,)
        As in `observations`.
    predictor : array_like, shape (rows,), optional
        Log hazard ratio of each row, as of `linear_predictor`; 0 when not given.

    Raises
    ------
    ValueError
        If a column breaks its rule, or there is no row.

    Notes
    -----
    H(t) = sum over failure times u <= t of d(u) / sum over those with entry < u <= time of exp(predictor).

    Examples
    --------
    >>> hazard = breslow([1, 2, 2, 3], [1, 1, 0, 0])
    >>> [round(value, 4) for value in hazard.cumulative]
    [0.25, 0.5833]
    """
    rows = observations(time, failed, weights, entry)
    if not rows.weights.any():
        raise ValueError("time has no row that counts: give at least one repair")
    ratios = _ratios(predictor, rows.time.size) * rows.weights
    times = np.unique(rows.time[rows.failed & (rows.weights > 0)])
    at_risk = _sum_from(rows.time, ratios, times) - _sum_from(rows.entry, ratios, times)
    failing = _sum_from(rows.time, rows.weights * rows.failed, times)
    failing -= np.append(failing[1:], 0.0)
    return CumulativeHazard(
        time=tuple(times.tolist()),
        cumulative=tuple(np.cumsum(failing / at_risk).tolist()),
        last=float(rows.time[rows.weights > 0].max()),
        n=int(rows.weights.sum()),
        events=int((rows.weights * rows.failed).sum()),
    )


def linear_predictor(fit: CoxFit, table: pd.DataFrame | Mapping[str, ArrayLike]) -> FloatArray:
    """Give each row's log hazard ratio under a fit, shape (rows,), against its reference levels.

    Raises
    ------
    ValueError
        If a covariate is missing, or a row has a level that the fit does not know.
    """
    frame = table if isinstance(table, pd.DataFrame) else pd.DataFrame(dict(table))
    coefficients = {coefficient.name: coefficient.coef for coefficient in fit.coefficients}
    total = np.zeros(len(frame))
    for covariate in dict.fromkeys(name.split("[")[0] for name in coefficients):
        if covariate not in frame.columns:
            raise ValueError(f"column {covariate} is not in the table: the fit needs it; add it")
        total += _contribution(covariate, frame[covariate], coefficients, fit.reference_levels)
    return total


def _contribution(
    covariate: str, column: pd.Series, coefficients: Mapping[str, float], references: Mapping[str, str]
) -> FloatArray:
    if covariate not in references:
        numbers = np.asarray(column, dtype=np.float64)
        return numbers * coefficients[covariate]
    head = f"{covariate}["
    known = {name[len(head) : -1]: value for name, value in coefficients.items() if name.startswith(head)}
    values = column.astype(str).map(known | {references[covariate]: 0.0})
    for row in np.flatnonzero(values.isna()):
        raise ValueError(
            f"{covariate}[{row}] is {column.iloc[row]}: it must be a level that the fit knows "
            f"({', '.join([references[covariate], *known])}); join it to one of them"
        )
    return np.asarray(values, dtype=np.float64)


def _ratios(predictor: ArrayLike | None, rows: int) -> FloatArray:
    if predictor is None:
        return np.ones(rows)
    ratios: FloatArray = np.exp(np.asarray(predictor, np.float64))
    check_length("predictor", ratios.size, rows)
    return ratios


def _sum_from(place: FloatArray, values: ArrayLike, times: FloatArray) -> FloatArray:
    """Sum the values whose place is at each of `times` or later."""
    order = np.argsort(place, kind="stable")
    later = np.append(np.cumsum(np.asarray(values, np.float64)[order][::-1])[::-1], 0.0)
    sums: FloatArray = later[np.searchsorted(place[order], times, side="left")]
    return sums
