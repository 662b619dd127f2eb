"""Do groups differ where repairs share patients: the score test of a Cox model, with the patient as cluster.

Straight from counts, without fitting the model: at hazard ratio 1 its score residuals are known. Own code, as
no library has the test; the tests hold it to `regression.cox`, which is held to R.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.sparse.csgraph import connected_components

from outcomes.estimators import clustered
from outcomes.estimators.cautions import EVENTS_PER_COEFFICIENT_LEAST
from outcomes.estimators.observations import (
    FloatArray,
    IntArray,
    Moments,
    Observations,
    moments,
    numbered_groups,
    observations,
)
from outcomes.estimators.regression.efron import ChiSquare, chi_square

FORMULA = (
    "chi-square = U' (sum over patients of u u')^- U, U = sum of u, u = sum over the patient's repairs of "
    "their score residuals at hazard ratio 1, on groups - 1 degrees of freedom."
)
METHOD = "Robust score test: the score test of a Cox model of the groups, with the patient as cluster."
# Both from memory.
REFERENCE = "Lin DY, Wei LJ. J Am Stat Assoc 1989;84:1074-8. Efron B. J Am Stat Assoc 1977;72:557-65 (ties)."


@dataclass(frozen=True, slots=True)
class _AtFailures:
    """Repairs at risk and failing in each group at each moment of failure, shape (moments, groups)."""

    at_risk: IntArray
    failures: IntArray

    def hazard_ratios_are_finite(self) -> bool:
        """Say whether each group fails beside each other, if only by way of third groups.

        Otherwise some set of groups always, or never, fails when others are at risk, and its hazard ratio
        runs off to 0 or infinity.
        """
        beside = (self.failures > 0).T.astype(np.int64) @ (self.at_risk > 0)
        return bool(connected_components(beside, connection="strong", return_labels=False) == 1)


@dataclass(frozen=True, slots=True)
class _Passed:
    """What a repair passes through at each moment of failure, summed over Efron's steps there.

    `hazard` (moments, 1) and `drift` (moments, groups) are those of a repair at risk, the next two what one
    of the failing is spared; `mean` is the share of each group among those at risk.
    """

    hazard: FloatArray
    drift: FloatArray
    spared_hazard: FloatArray
    spared_drift: FloatArray
    mean: FloatArray


def robust_score(
    time: ArrayLike,
    failed: ArrayLike,
    group: ArrayLike,
    cluster: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    entry: ArrayLike | None = None,
) -> ChiSquare | None:
    """Test whether groups share one survival curve, where repairs of one patient go together.

    Parameters
    ----------
    time, failed, weights, entry : array_like, shape (rows,)
        As in `observations`; rows of weight 0 are dropped.
    group : array_like, shape (rows,)
        The group of each row.
    cluster : array_like, shape (rows,)
        The patient of each row, as in `clustered.sample`.

    Returns
    -------
    ChiSquare or None
        None where a Cox model with the groups as its only covariate has no finite answer: fewer than two
        groups, or a group that none failed in or that always failed first, fewer failures than
        EVENTS_PER_COEFFICIENT_LEAST or no more patients than one for each further group.

    Raises
    ------
    ValueError
        If a column breaks its rule, a group is missing.

    Notes
    -----
    As the robust score test of R's summary(coxph(..., cluster = id)): residuals at hazard ratio 1 with
    Efron's ties, each group held against the first [Lin & Wei 1989].
    """
    rows = observations(time, failed, weights, entry)
    of, counted = clustered.patients(cluster, rows), rows.weights > 0
    names, member = numbered_groups("group", group, counted)
    rows, of, size = rows.where(counted), of.where(counted), len(names)
    failing = moments(rows, with_failure_only=True)
    at = _AtFailures(
        failing.at_risk(rows.weights, member, size),
        failing.leaving(rows.weights * rows.failed, member, size),
    )
    if not _can_be_fitted(at, of):
        return None
    residuals = _residuals(rows, failing, member, _passed(at))
    # One group tells nothing that the others do not.
    score, covariance = _by_patient(residuals[:, 1:], of)
    return chi_square(score, covariance, size - 1)


def _can_be_fitted(at: _AtFailures, of: clustered.Patients) -> bool:
    coefficients = at.failures.shape[1] - 1
    return (
        coefficients > 0
        and int(at.failures.sum()) >= max(1, EVENTS_PER_COEFFICIENT_LEAST * coefficients)
        and of.count() > coefficients
        and at.hazard_ratios_are_finite()
    )


def _passed(at: _AtFailures) -> _Passed:
    """Sum over Efron's steps: the l-th of d failing stands in each with 1 - l / d of itself."""
    failing = at.failures.sum(axis=1)
    moment, starts = np.repeat(np.arange(failing.size), failing), np.cumsum(failing) - failing
    share = (np.arange(moment.size) - starts[moment]) / failing[moment]
    left = at.at_risk[moment] - share[:, None] * at.failures[moment]
    hazard = 1 / left.sum(axis=1, keepdims=True)
    mean = left * hazard

    def summed(columns: FloatArray) -> FloatArray:
        return np.add.reduceat(columns, starts, axis=0)

    return _Passed(
        hazard=summed(hazard),
        drift=summed(mean * hazard),
        spared_hazard=summed(share[:, None] * hazard),
        spared_drift=summed(share[:, None] * mean * hazard),
        mean=summed(mean) / failing[:, None],
    )


def _residuals(rows: Observations, failing: Moments, member: IntArray, passed: _Passed) -> FloatArray:
    """Give the score residual of one repair of each row, shape (rows, groups)."""
    hazard, drift = _between(failing, passed.hazard), _between(failing, passed.drift)
    own = failing.past[rows.failed] - 1
    hazard[rows.failed] -= passed.spared_hazard[own]
    drift[rows.failed] -= passed.spared_drift[own]
    residuals = drift
    residuals[rows.failed] -= passed.mean[own]
    residuals[np.arange(member.size), member] += rows.failed - hazard[:, 0]
    return residuals


def _between(failing: Moments, columns: FloatArray) -> FloatArray:
    """Sum `columns` over the moments at which each row is at risk."""
    until = np.vstack([np.zeros((1, columns.shape[1])), np.cumsum(columns, axis=0)])
    between: FloatArray = until[failing.past] - until[failing.first]
    return between


def _by_patient(residuals: FloatArray, of: clustered.Patients) -> tuple[FloatArray, FloatArray]:
    """Sum the residuals over each patient's repairs, then those sums and their products over patients."""
    sums = np.column_stack([np.bincount(of.code, column * of.repairs) for column in residuals.T])
    copies = np.zeros(sums.shape[0])
    copies[of.code] = of.copies
    return copies @ sums, (sums.T * copies) @ sums
