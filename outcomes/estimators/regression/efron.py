"""Efron's partial likelihood: its value and derivatives, score residuals, proportional hazards, concordance.

Own code, since lifelines goes through all rows at each failure time where some enter late, and gives none of
the others as R's survival does: its clustered errors and its test of proportional hazards differ by
definition, its concordance knows no delayed entry.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from outcomes.estimators.observations import BoolArray, FloatArray, IntArray

# A matrix scaled to a unit diagonal is taken as singular below this: rounding leaves about 1e-15 of a zero.
SINGULAR = 1e-11


@dataclass(frozen=True, slots=True)
class ChiSquare:
    """A test: statistic, degrees of freedom and P value, None where the data cannot tell."""

    statistic: float | None
    df: int
    p: float | None


@dataclass(frozen=True, slots=True)
class RiskRows:
    """One row a repair, at risk in (entry, time]; arrays of shape (rows,), covariates (rows, coefficients).

    An entry of -inf is at risk from the start. Covariates come centred, so that sums keep their digits.
    """

    time: FloatArray
    failed: BoolArray
    entry: FloatArray
    stratum: IntArray
    covariates: FloatArray

    def strata(self) -> Iterator[tuple[NDArray[np.intp], RiskRows]]:
        """Give the row numbers and the rows of each stratum."""
        order = np.argsort(self.stratum, kind="stable")
        for chosen in np.split(order, np.flatnonzero(np.diff(self.stratum[order])) + 1):
            yield (
                chosen,
                RiskRows(
                    self.time[chosen],
                    self.failed[chosen],
                    self.entry[chosen],
                    self.stratum[chosen],
                    self.covariates[chosen],
                ),
            )


@dataclass(frozen=True, slots=True)
class Likelihood:
    """The logarithm of the partial likelihood, its gradient, and the negative of its second derivatives."""

    log: float
    score: FloatArray
    information: FloatArray


@dataclass(frozen=True, slots=True)
class _Steps:
    """Efron's steps in one stratum, one a failure: those tied at a time leave the risk set a share at a time.

    `share` of the tied failures has left; `denominator` is the risk that remains, `mean` that of the
    covariates under it. `covariance` is that of the covariates, summed over the steps at each of `times`.
    """

    time: FloatArray
    share: FloatArray
    denominator: FloatArray
    mean: FloatArray
    times: FloatArray
    covariance: FloatArray


@dataclass(frozen=True, slots=True)
class _Exposure:
    """When rows are at risk, counted in failure times: from `entered` on, not any more from `left` on."""

    times: FloatArray
    entered: NDArray[np.intp]
    left: NDArray[np.intp]

    @classmethod
    def of(cls, rows: RiskRows, times: FloatArray) -> _Exposure:
        entered, left = (np.searchsorted(times, ends, side="right") for ends in (rows.entry, rows.time))
        return cls(times, entered, left)

    def at_risk(self, column: FloatArray) -> FloatArray:
        """Sum `column` over the rows at risk at each time."""
        return self._beyond(self.left, column) - self._beyond(self.entered, column)

    def _beyond(self, ends: NDArray[np.intp], column: FloatArray) -> FloatArray:
        sums: FloatArray = np.bincount(ends, column, self.times.size + 1).astype(np.float64)
        # From the end on, where few are at risk, so that small sums keep their digits.
        return np.cumsum(sums[::-1])[::-1][1:]


def likelihood(rows: RiskRows, coefficients: FloatArray) -> Likelihood:
    """Give the partial likelihood at `coefficients`.

    Notes
    -----
    Efron B. J Am Stat Assoc 1977;72:557-65. The information is the covariances of the covariates, summed over
    the steps.
    """
    log, score, information = 0.0, np.zeros(coefficients.size), np.zeros((coefficients.size,) * 2)
    for _, part in rows.strata():
        steps, failing = _steps(part, coefficients), part.covariates[part.failed]
        log += float(_log_risk(part, coefficients)[part.failed].sum() - np.log(steps.denominator).sum())
        score += failing.sum(axis=0) - steps.mean.sum(axis=0)
        information += steps.covariance.sum(axis=0)
    return Likelihood(log, score, information)


def score_residuals(rows: RiskRows, coefficients: FloatArray) -> FloatArray:
    """Give each row's part of the score at `coefficients`, shape (rows, coefficients).

    Notes
    -----
    Therneau TM, Grambsch PM. Modeling Survival Data. Springer, 2000, ch. 4.6 and 7.2, with Efron's ties: one
    of several failures at a time stands in each step with what is left of its share. Steps up to entry do
    not count. The rows sum to the score, so to 0 at the estimate.
    """
    residuals = np.empty_like(rows.covariates)
    for chosen, part in rows.strata():
        residuals[chosen] = _score_residuals(part, coefficients)
    return residuals


def proportionality(rows: RiskRows, coefficients: FloatArray) -> list[ChiSquare]:
    """Test each coefficient, and last all of them together, for change over time.

    Notes
    -----
    Score test of adding x g(t) to the model at its estimate [Grambsch PM, Therneau TM. Biometrika
    1994;81:515-26], with the whole information matrix, as R's cox.zph since survival 3.0. On its Kaplan-Meier
    time scale g is 1 - S just before t, all strata in one curve, centred over the failures.
    """
    size = coefficients.size
    score, matrix = np.zeros(2 * size), np.zeros((2 * size, 2 * size))
    times, scale = _time_scale(rows)
    for _, part in rows.strata():
        steps = _steps(part, coefficients)
        of_steps = scale[np.searchsorted(times, steps.time)]
        of_failing = scale[np.searchsorted(times, part.time[part.failed])]
        score[size:] += of_failing @ part.covariates[part.failed] - of_steps @ steps.mean
        course = scale[np.searchsorted(times, steps.times)]
        powers = np.stack([np.ones_like(course), course, course**2])
        plain, once, twice = np.einsum("at,tij->aij", powers, steps.covariance)
        matrix += np.block([[plain, once], [once, twice]])
    estimated = list(range(size))
    tested = [[size + own] for own in estimated] + [[size + own for own in estimated]]
    return [_score_test(score, matrix, estimated + added, len(added)) for added in tested]


def concordance(rows: RiskRows, predictor: FloatArray) -> float | None:
    """Give the share of comparable pairs in which the one who fails first has the larger `predictor`.

    A pair is comparable when one fails while the other is at risk and does not fail that day; no pair reaches
    across strata; equal predictors count one half. As R's concordance; None where no pair is comparable.

    Notes
    -----
    Harrell FE, Lee KL, Mark DB. Stat Med 1996;15:361-87.
    """
    _, rank = np.unique(predictor, return_inverse=True)
    won = pairs = 0.0
    for chosen, part in rows.strata():
        _, own_rank = np.unique(rank[chosen], return_inverse=True)
        of_part = _pairs(part, own_rank)
        won, pairs = won + of_part[0], pairs + of_part[1]
    return won / pairs if pairs else None


def chi_square(vector: FloatArray, covariance: FloatArray, df: int) -> ChiSquare:
    """Test whether `vector`, of the given covariance, could be 0; None where the covariance is singular."""
    scale = np.sqrt(np.diag(covariance))
    if not (np.isfinite(scale).all() and (scale > 0).all()):
        return ChiSquare(None, df, None)
    correlation, scaled = covariance / np.outer(scale, scale), vector / scale
    if np.linalg.eigvalsh(correlation)[0] < SINGULAR:
        return ChiSquare(None, df, None)
    statistic = float(scaled @ np.linalg.solve(correlation, scaled))
    return ChiSquare(statistic, df, float(chi2.sf(statistic, df)))


def _score_test(score: FloatArray, matrix: FloatArray, kept: list[int], df: int) -> ChiSquare:
    # A scale that is constant where the covariates vary leaves rounding where zeros belong.
    size = score.size // 2
    for added in kept[size:]:
        if matrix[added, added] <= SINGULAR**2 * matrix[added - size, added - size]:
            return ChiSquare(None, df, None)
    return chi_square(score[kept], matrix[np.ix_(kept, kept)], df)


def _time_scale(rows: RiskRows) -> tuple[FloatArray, FloatArray]:
    times, failing = np.unique(rows.time[rows.failed], return_counts=True)
    at_risk = _Exposure.of(rows, times).at_risk(np.ones(rows.time.size))
    fallen = 1 - np.append(1.0, np.cumprod(1 - failing / at_risk)[:-1])
    return times, fallen - fallen @ failing / failing.sum()


def _steps(rows: RiskRows, coefficients: FloatArray) -> _Steps:
    times, failing = np.unique(rows.time[rows.failed], return_counts=True)
    starts, step = np.cumsum(failing) - failing, np.repeat(np.arange(times.size), failing)
    share = (np.arange(step.size) - starts[step]) / failing[step]
    exposure, risk = _Exposure.of(rows, times), _risk(rows, coefficients)
    own = exposure.left[rows.failed] - 1

    def remaining(column: FloatArray) -> FloatArray:
        """What is left of risk times column at each step."""
        product = risk * column
        of_failing = np.bincount(own, product[rows.failed], times.size)
        left: FloatArray = exposure.at_risk(product)[step] - share * of_failing[step]
        return left

    # Column by column: the products of all covariates of all rows at once would be many times the table.
    columns = np.ascontiguousarray(rows.covariates.T)
    denominator = remaining(np.ones_like(risk))
    means = [remaining(column) / denominator for column in columns]
    covariance = np.empty((times.size, len(means), len(means)))
    for row, column in combinations_with_replacement(range(len(means)), 2):
        second = remaining(columns[row] * columns[column]) / denominator
        of_times = np.add.reduceat(second - means[row] * means[column], starts)
        covariance[:, row, column] = covariance[:, column, row] = of_times
    return _Steps(times[step], share, denominator, np.column_stack(means), times, covariance)


def _risk(rows: RiskRows, coefficients: FloatArray) -> FloatArray:
    risk: FloatArray = np.exp(_log_risk(rows, coefficients))
    return risk


def _log_risk(rows: RiskRows, coefficients: FloatArray) -> FloatArray:
    predictor = rows.covariates @ coefficients
    centred: FloatArray = predictor - predictor.max()  # a common factor cancels
    return centred


def _score_residuals(rows: RiskRows, coefficients: FloatArray) -> FloatArray:
    steps = _steps(rows, coefficients)
    drawn = np.column_stack([np.ones_like(steps.share), steps.mean]) / steps.denominator[:, None]
    passed = _sum_until(steps, drawn, rows.time) - _sum_until(steps, drawn, rows.entry)
    failing = rows.time[rows.failed]
    passed[rows.failed] -= _sum_on(steps, steps.share[:, None] * drawn, failing)
    expected = _risk(rows, coefficients)[:, None] * (rows.covariates * passed[:, :1] - passed[:, 1:])
    residuals: FloatArray = -expected
    means = _sum_on(steps, np.column_stack([np.ones_like(steps.share), steps.mean]), failing)
    residuals[rows.failed] += rows.covariates[rows.failed] - means[:, 1:] / means[:, :1]
    return residuals


def _sum_until(
    steps: _Steps, columns: FloatArray, times: FloatArray, side: Literal["left", "right"] = "right"
) -> FloatArray:
    """Sum `columns` over the steps up to each of `times`, or before it (left)."""
    sums = np.vstack([np.zeros((1, columns.shape[1])), np.cumsum(columns, axis=0)])
    until: FloatArray = sums[np.searchsorted(steps.time, times, side=side)]
    return until


def _sum_on(steps: _Steps, columns: FloatArray, times: FloatArray) -> FloatArray:
    return _sum_until(steps, columns, times) - _sum_until(steps, columns, times, side="left")


def _pairs(rows: RiskRows, rank: IntArray) -> tuple[float, float]:
    """Count pairs won (ties one half) and pairs comparable, walking the failure times with counts by rank."""
    won, pairs = 0.0, 0
    present = np.zeros(rank.max() + 1)
    entering, leaving = np.argsort(rows.entry, kind="stable"), np.argsort(rows.time, kind="stable")
    failing = leaving[rows.failed[leaving]]
    times = np.unique(rows.time[failing])
    entered = left = 0
    ends = zip(
        np.searchsorted(rows.entry[entering], times),
        np.searchsorted(rows.time[leaving], times),
        np.searchsorted(rows.time[failing], times, side="left"),
        np.searchsorted(rows.time[failing], times, side="right"),
        strict=True,
    )
    for enter, leave, first, last in ends:
        np.add.at(present, rank[entering[entered:enter]], 1)
        np.subtract.at(present, rank[leaving[left:leave]], 1)
        entered, left = enter, leave
        now = rank[failing[first:last]]
        others = present - np.bincount(now, minlength=present.size)
        below = np.cumsum(others) - others
        won += float(np.sum(below[now] + others[now] / 2))
        pairs += int(others.sum()) * now.size
    return won, pairs
