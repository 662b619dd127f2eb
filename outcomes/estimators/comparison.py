"""Do groups differ: the log-rank test, overall, within strata and in pairs, and whether two curves cross."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import chi2

from outcomes.estimators.cautions import CROSSING_MARGIN, FEW_AT_RISK, Caution
from outcomes.estimators.log_rank_score import GroupTotals, count, score, totals
from outcomes.estimators.survival import LATE_ENTRY, SurvivalCurve

__all__ = [
    "METHOD",
    "REFERENCE",
    "GroupTotals",
    "LogRank",
    "Pair",
    "crossing",
    "holm",
    "log_rank",
    "pairwise_log_rank",
]

FORMULA = (
    "E_g = sum over s of d(s) n_g(s) / n(s); V_gh = sum over s of d(s) (n(s) - d(s)) / (n(s) - 1) n_g(s) "
    "/ n(s) ([g = h] - n_h(s) / n(s)); chi-square = (O - E)' V^- (O - E) on groups - 1 degrees of "
    "freedom."
)
METHOD = "Log-rank test: failures observed in each group against those expected if all shared one hazard."
WITHIN_STRATA = "Failures are compared within each stratum, and the differences summed over strata."
FORMULA_PAIRWISE = (
    "With m P values in rising order, the adjusted i-th is the largest over j <= i of min(1, (m - j + 1) "
    "p_j)."
)
METHOD_PAIRWISE = "Log-rank test of each two groups alone, P values adjusted for their number after Holm."
REFERENCE = "Mantel N. Cancer Chemother Rep 1966;50:163-70. Peto R, Peto J. J R Stat Soc A 1972;135:185-207."
REFERENCE_PAIRWISE = f"{REFERENCE} Holm S. Scand J Stat 1979;6:65-70."


@dataclass(frozen=True, slots=True)
class LogRank:
    """Chi-square statistic, degrees of freedom and P value, with the totals of each group in name order."""

    statistic: float
    df: int
    p: float
    groups: dict[str, GroupTotals]
    n: int
    events: int
    method: str = METHOD
    reference: str = REFERENCE
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True, slots=True)
class Pair:
    """The log-rank test of two groups; None where there is nothing to test, and no test is counted."""

    a: str
    b: str
    statistic: float | None
    p: float | None
    p_holm: float | None
    n: int
    events: int
    method: str = METHOD_PAIRWISE
    reference: str = REFERENCE_PAIRWISE
    cautions: tuple[Caution, ...] = ()


def log_rank(
    time: ArrayLike,
    failed: ArrayLike,
    group: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    strata: ArrayLike | None = None,
    entry: ArrayLike | None = None,
) -> LogRank | None:
    """Test whether groups share one survival curve.

    Parameters
    ----------
    time, failed, weights, entry : array_like, shape (rows,)
        As in `observations`; rows of weight 0 are dropped.
    group : array_like, shape (rows,)
        The group of each row; its text names it in the result.
    strata : array_like, shape (rows,), optional
        What to adjust for: failures are compared only within a stratum.

    Returns
    -------
    LogRank or None
        None when there is nothing to test: no failure, fewer than two groups at risk when one happens, or all
        who are left fail at once.

    Raises
    ------
    ValueError
        If a column breaks its rule, or a group or stratum is missing.

    Notes
    -----
    Sources are in `REFERENCE`. As R's survdiff, with strata() for strata: a group all censored before the
    first failure is listed with 0 expected and takes no degree of freedom. Where R stops at a singular
    matrix, as when strata hold different groups, each set of groups that never met in a test takes one
    degree of freedom off: between sets nothing is compared.
    """
    counts = count(time, failed, group, weights, strata, entry)
    found = score(counts)
    statistic, df = found.chi_square()
    if not df:
        return None
    return LogRank(
        statistic,
        df,
        float(chi2.sf(statistic, df)),
        totals(counts, found),
        n=int(counts.n.sum()),
        events=int(counts.failures.sum()),
        method=said(METHOD, strata, entry),
    )


def pairwise_log_rank(
    time: ArrayLike,
    failed: ArrayLike,
    group: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    strata: ArrayLike | None = None,
    entry: ArrayLike | None = None,
) -> tuple[Pair, ...]:
    """Test each two groups, in name order, with P values adjusted after Holm.

    Parameters, errors and sources are those of `log_rank`; each pair is tested as if the others were not
    there (R's survdiff on the subset, then p.adjust).
    """
    counts = count(time, failed, group, weights, strata, entry)
    pairs = [counts.of_pair(a, b) for a, b in combinations(range(len(counts.names)), 2)]
    tests = [score(pair).chi_square() for pair in pairs]
    p = [float(chi2.sf(statistic, df)) if df else None for statistic, df in tests]
    return tuple(
        Pair(
            pair.names[0],
            pair.names[1],
            statistic if df else None,
            p_alone,
            p_holm,
            n=int(pair.n.sum()),
            events=int(pair.failures.sum()),
            method=said(METHOD_PAIRWISE, strata, entry),
        )
        for pair, (statistic, df), p_alone, p_holm in zip(pairs, tests, p, holm(p), strict=True)
    )


def holm(p: Sequence[float | None]) -> list[float | None]:
    """P values after Holm [Scand J Stat 1979;6:65-70], in the order given; None for what was not tested.

    Each is the largest, over it and those below it, of P times how many are not below; at most 1. Own code:
    statsmodels, which the tests hold it to, collects garbage at every call.
    """
    tested = np.array([value for value in p if value is not None])
    order = np.argsort(tested, kind="stable")
    stepped = np.maximum.accumulate(tested[order] * np.arange(tested.size, 0, -1))
    after = np.empty_like(stepped)
    after[order] = np.minimum(stepped, 1)
    adjusted = iter(after.tolist())
    return [None if value is None else next(adjusted) for value in p]


def said(method: str, strata: ArrayLike | None, entry: ArrayLike | None) -> str:
    """Add to a method what strata and late entries make of it."""
    added = (WITHIN_STRATA if strata is not None else "", LATE_ENTRY if entry is not None else "")
    return " ".join(filter(None, (method, *added)))


def crossing(a: SurvivalCurve, b: SurvivalCurve) -> bool:
    """Say whether each of two curves somewhere lies above the other by CROSSING_MARGIN.

    Read only where FEW_AT_RISK or more are at risk in both.

    A difference of hazards that changes sign is missed by the log-rank test and hidden by one number.
    """
    days = np.union1d(a.time, b.time)
    (ours, at_risk), (theirs, at_risk_there) = a.course(days), b.course(days)
    differences = (ours - theirs)[np.minimum(at_risk, at_risk_there) >= FEW_AT_RISK]
    return bool(
        differences.size and differences.min() <= -CROSSING_MARGIN and differences.max() >= CROSSING_MARGIN
    )
