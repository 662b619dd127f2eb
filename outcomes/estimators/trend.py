"""Does failure rise or fall over ordered groups: the log-rank test for trend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import norm

from outcomes.estimators import checks
from outcomes.estimators.cautions import Caution
from outcomes.estimators.comparison import said
from outcomes.estimators.log_rank_score import GroupTotals, count, score, totals

FORMULA = "z = w' (O - E) / sqrt(w' V w), w the scores of the groups, O, E and V as in the log-rank test."
METHOD = (
    "Log-rank test for trend: failures observed less expected in each group, weighted by the group's score, "
    "over the standard error of that sum."
)
# From memory.
REFERENCE = (
    "Tarone RE. Biometrika 1975;62:679-82. "
    "Klein JP, Moeschberger ML. Survival Analysis, 2nd ed. Springer, 2003, section 7.4."
)


@dataclass(frozen=True, slots=True)
class Trend:
    """`z`, above 0 when failure rises with the score; `statistic` is its square, on one degree of freedom."""

    statistic: float
    df: int
    p: float
    z: float
    scores: dict[str, float]
    groups: dict[str, GroupTotals]
    n: int
    events: int
    method: str
    reference: str = REFERENCE
    cautions: tuple[Caution, ...] = ()


def trend_log_rank(
    time: ArrayLike,
    failed: ArrayLike,
    group: ArrayLike,
    order: Sequence[object],
    weights: ArrayLike | None = None,
    *,
    scores: Sequence[float] | None = None,
    strata: ArrayLike | None = None,
    entry: ArrayLike | None = None,
) -> Trend | None:
    """Test whether failure rises or falls over ordered groups.

    Parameters
    ----------
    time, failed, group, weights, strata, entry : array_like, shape (rows,)
        As in `comparison.log_rank`.
    order : sequence
        All groups from the lowest to the highest; some may have no row.
    scores : sequence of float, optional
        A rising score for each of `order`; 1, 2, 3 ... when not given.

    Returns
    -------
    Trend or None
        None when there is nothing to test, as in `comparison.log_rank`.

    Raises
    ------
    ValueError
        If a column breaks its rule, a group is not in `order`, or the scores do not rise.

    Notes
    -----
    With scores w, z = w'(O - E) / sqrt(w' V w): O and E the failures observed and expected in each group, V
    the covariance of the log-rank test [Tarone 1975; Klein & Moeschberger 2003, 7.4]. Of two groups, z^2 is
    the log-rank statistic.
    """
    given = _scores(order, scores)
    counts = count(time, failed, group, weights, strata, entry)
    unknown = [name for name in counts.names if name not in given]
    if unknown:
        raise ValueError(f"group holds {unknown[0]}: it must be in order; add it or leave its rows out")
    found = score(counts)
    if not found.chi_square()[1]:
        return None
    weight = np.array([given[name] for name in counts.names])
    z = float(weight @ found.difference()) / sqrt(weight @ found.covariance @ weight)
    return Trend(
        z**2,
        1,
        float(2 * norm.sf(abs(z))),
        z,
        scores={name: value for name, value in given.items() if name in counts.names},
        groups=totals(counts, found),
        n=int(counts.n.sum()),
        events=int(counts.failures.sum()),
        method=said(METHOD, strata, entry),
    )


def _scores(order: Sequence[object], scores: Sequence[float] | None) -> dict[str, float]:
    """Give each group its score, in rising order."""
    names = [str(name) for name in order]
    if len(set(names)) < len(names):
        raise ValueError(f"order is {names}: each group must stand in it once; take out the repeated one")
    values = [checks.finite("scores", value) for value in (scores or range(1, len(names) + 1))]
    checks.same_length(order=names, scores=values)
    if any(later <= earlier for earlier, later in pairwise(values)):
        raise ValueError(f"scores is {values}: it must rise; order the groups from low to high")
    return dict(zip(names, values, strict=True))
