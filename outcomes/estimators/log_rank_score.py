"""Failures observed in groups and expected if all shared one hazard: what log-rank tests are made of.

Own code, since no library takes weighted rows, strata and late entries together, and lifelines takes
seconds over many groups; lifelines and statsmodels second the tests made of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.sparse.csgraph import connected_components

from outcomes.estimators.observations import (
    FloatArray,
    IntArray,
    coded,
    moments,
    numbered_groups,
    observations,
)


@dataclass(frozen=True, slots=True)
class GroupTotals:
    """Repairs, failures observed and failures expected in one group."""

    n: int
    observed: int
    expected: float


@dataclass(frozen=True, slots=True)
class Counts:
    """Repairs of each group (groups,), and those at risk and failing at each failure (moments, groups)."""

    names: list[str]
    n: IntArray
    at_risk: IntArray
    failures: IntArray

    def of_pair(self, a: int, b: int) -> Counts:
        """Take two groups alone."""
        pair = [a, b]
        names = [self.names[a], self.names[b]]
        return Counts(names, self.n[pair], self.at_risk[:, pair], self.failures[:, pair])


@dataclass(frozen=True, slots=True)
class Score:
    """Failures observed and expected, shape (groups,), and the covariance of their difference."""

    observed: FloatArray
    expected: FloatArray
    covariance: FloatArray

    def difference(self) -> FloatArray:
        return self.observed - self.expected

    def chi_square(self) -> tuple[float, int]:
        """Give the log-rank statistic and its degrees of freedom, 0 when there is nothing to test.

        Over groups that met at risk when some failed the difference sums to 0, so one of each such set tells
        nothing new and is left out.
        """
        _, met = connected_components(self.covariance < 0, directed=False)
        _, left_out = np.unique(met, return_index=True)
        kept = np.delete(np.arange(met.size), left_out)
        difference = self.difference()[kept]
        statistic = difference @ np.linalg.solve(self.covariance[np.ix_(kept, kept)], difference)
        return float(statistic), kept.size


def count(
    time: ArrayLike,
    failed: ArrayLike,
    group: ArrayLike,
    weights: ArrayLike | None,
    strata: ArrayLike | None,
    entry: ArrayLike | None,
) -> Counts:
    """Check the rows and count them by group, without rows of weight 0 and groups that have only those."""
    rows = observations(time, failed, weights, entry)
    counted = rows.weights > 0
    names, member = numbered_groups("group", group, counted)
    stratum = None if strata is None else coded("strata", strata, rows.time.size)[0]
    rows = rows.where(counted)
    failing = moments(rows, None if stratum is None else stratum[counted], with_failure_only=True)
    return Counts(
        names,
        np.bincount(member, rows.weights, len(names)).astype(np.int64),
        failing.at_risk(rows.weights, member, len(names)),
        failing.leaving(rows.weights * rows.failed, member, len(names)),
    )


def score(counts: Counts) -> Score:
    """Share the failures of each moment among the groups as those at risk are shared [Mantel 1966]."""
    failing = counts.failures.sum(axis=1)
    some = failing > 0
    at_risk, failing = counts.at_risk[some], failing[some]
    all_at_risk = at_risk.sum(axis=1)
    share = at_risk / all_at_risk[:, np.newaxis]
    # Of the hypergeometric distribution, but for the shares; one repair alone at risk has no variance.
    variance = failing * (all_at_risk - failing) / np.maximum(all_at_risk - 1, 1)
    return Score(
        counts.failures.sum(axis=0).astype(np.float64),
        failing @ share,
        np.diag(variance @ share) - (share.T * variance) @ share,
    )


def totals(counts: Counts, found: Score) -> dict[str, GroupTotals]:
    """Gather n, observed and expected by the name of the group."""
    columns = (counts.n.tolist(), found.observed.astype(np.int64).tolist(), found.expected.tolist())
    return {
        name: GroupTotals(*row) for name, row in zip(counts.names, zip(*columns, strict=True), strict=True)
    }
