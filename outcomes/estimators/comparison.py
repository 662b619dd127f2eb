"""Do strata differ: the log-rank test of two or more groups, with failures observed and expected in each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from lifelines.statistics import StatisticalResult, multivariate_logrank_test
from numpy.typing import ArrayLike

from outcomes.estimators.survival import FloatArray, IntArray, Observations, check_length, observations

METHOD = "Log-rank test: failures observed in each group against those expected if all shared one hazard."
REFERENCE = "Mantel N. Cancer Chemother Rep 1966;50:163-70. Peto R, Peto J. J R Stat Soc A 1972;135:185-207."


@dataclass(frozen=True, slots=True)
class GroupTotals:
    """Repairs, failures observed and failures expected in one group."""

    n: int
    observed: int
    expected: float


@dataclass(frozen=True, slots=True)
class LogRank:
    """Chi-square statistic, degrees of freedom and P value, with the totals of each group in name order."""

    statistic: float
    df: int
    p: float
    groups: dict[str, GroupTotals]


@dataclass(frozen=True, slots=True)
class _CountTable:
    """Repairs at risk and failing at each distinct time, arrays of shape (times, groups)."""

    at_risk: IntArray
    failures: IntArray

    def expected(self) -> FloatArray:
        """Share the failures of each time among the groups as those at risk are shared [Mantel 1966]."""
        hazard = self.failures.sum(axis=1) / self.at_risk.sum(axis=1)
        expected: FloatArray = hazard @ self.at_risk
        return expected

    def tells_apart(self) -> bool:
        """Say whether some failure could have fallen to another group; if none, the test has no variance."""
        failing, at_risk = self.failures.sum(axis=1), self.at_risk.sum(axis=1)
        shared = (self.at_risk > 0).sum(axis=1) > 1
        return bool(np.any(shared & (failing > 0) & (failing < at_risk)))


def log_rank(
    time: ArrayLike, failed: ArrayLike, group: ArrayLike, weights: ArrayLike | None = None
) -> LogRank | None:
    """Test whether groups share one survival curve.

    Parameters
    ----------
    time, failed, weights : array_like, shape (rows,)
        As in `survival.observations`; rows of weight 0 are dropped.
    group : array_like, shape (rows,)
        The group of each row; its text names it in the result.

    Returns
    -------
    LogRank or None
        None when there is nothing to test: no failure, fewer than two groups at risk when one happens, or all
        who are left fail at once. A group all censored before the first failure is listed with 0 expected and
        takes no degree of freedom (as in R's survdiff).

    Raises
    ------
    ValueError
        If a column breaks its rule or a group is missing.

    Notes
    -----
    Statistic and P value are those of lifelines; sources are in `REFERENCE`.
    """
    rows = observations(time, failed, weights)
    member, names = _members(group, rows.time.size)
    counted = rows.weights > 0
    rows, member = rows.where(counted), member[counted]
    table = _count(rows, member, len(names))
    if not table.tells_apart():
        return None
    expected = table.expected()
    compared = (expected > 0)[member]
    test = _test(rows.where(compared), member[compared])
    return LogRank(
        statistic=float(test.test_statistic),
        df=int(test.degrees_of_freedom),
        p=float(test.p_value),
        groups=_totals(names, table, expected),
    )


def _members(group: ArrayLike, rows: int) -> tuple[IntArray, list[str]]:
    """Give each row's group as a position in the sorted names."""
    labels = np.asarray(group, dtype=object)
    check_length("group", labels.size, rows)
    codes, distinct = pd.factorize(labels)
    missing = np.flatnonzero(codes < 0)
    if missing.size:
        raise ValueError(
            f"group[{missing[0]}] is {labels[missing[0]]}: every row needs a group; "
            "name it or leave its row out"
        )
    names, position = np.unique([str(label) for label in distinct], return_inverse=True)
    return position[codes], names.tolist()


def _count(rows: Observations, member: IntArray, groups: int) -> _CountTable:
    times, position = np.unique(rows.time, return_inverse=True)
    cell = position * groups + member

    def per_cell(weights: IntArray) -> IntArray:
        return np.bincount(cell, weights, times.size * groups).astype(np.int64).reshape(times.size, groups)

    leaving = per_cell(rows.weights)
    return _CountTable(leaving[::-1].cumsum(axis=0)[::-1], per_cell(rows.weights * rows.failed))


def _test(rows: Observations, member: IntArray) -> StatisticalResult:
    # lifelines silences numpy's warnings for the whole process; the context gives them back.
    with np.errstate(divide="ignore", invalid="ignore"):
        return multivariate_logrank_test(rows.time, member, rows.failed, weights=rows.weights)


def _totals(names: list[str], table: _CountTable, expected: FloatArray) -> dict[str, GroupTotals]:
    columns = (table.at_risk[0].tolist(), table.failures.sum(axis=0).tolist(), expected.tolist())
    rows = zip(names, *columns, strict=True)
    return {name: GroupTotals(n, observed, expects) for name, n, observed, expects in rows if n}
