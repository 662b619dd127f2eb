"""Is a unit outside chance: the funnel plot's exact binomial limits around a target share.

Own code: no kept library has the interpolated limits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import binom, chi2

from outcomes.estimators import checks
from outcomes.estimators.cautions import REPAIRS_FOR_A_POSITION, Caution, few_repairs, over_dispersed

FloatArray = NDArray[np.float64]

FUNNEL_FORMULA = (
    "Limit at probability p for n repairs: (r - a) / n, r the smallest count with F(r) >= p, a = (F(r) - "
    "p) / (F(r) - F(r - 1)), F the binomial distribution at the target."
)
FUNNEL_METHOD = (
    "Funnel plot: each unit's share against exact binomial limits around the target, 95 % and 99.8 %, "
    "interpolated between whole failures; over-dispersion is the mean squared Pearson z-score."
)
FUNNEL_REFERENCE = "Spiegelhalter DJ. Stat Med 2005;24:1185-202, appendix A.1.1."


@dataclass(frozen=True, slots=True)
class FunnelUnit:
    """One unit's share with the limits for its size, unclipped: one may lie a little below 0.

    Clip them to [0, 1] before drawing or comparing. `position_drawn` is False where the unit has too few
    repairs to be given a place in the figure.
    """

    events: int
    total: int
    share: float
    lower_95: float
    upper_95: float
    lower_998: float
    upper_998: float
    position_drawn: bool


@dataclass(frozen=True, slots=True)
class Funnel:
    """Units around a target share; `over_dispersion` is None where the target is 0 or 1."""

    target: float
    over_dispersion: float | None
    units: tuple[FunnelUnit, ...]
    n: int
    events: int
    method: str
    reference: str
    cautions: tuple[Caution, ...]


def funnel(events: Sequence[int], totals: Sequence[int], target: float | None = None) -> Funnel:
    """Set each unit's share of failures against the limits of chance for its size.

    Parameters
    ----------
    events, totals : sequence of int, shape (units,)
        Failures and repairs of each unit, at one fixed follow-up.
    target : float, optional
        The share to compare with, above 0 and below 1; the pooled share when not given.

    Raises
    ------
    ValueError
        If there is no unit, a count breaks its rule, a unit has no repair or more failures than repairs.
    """
    failures, repairs = _unit_counts(events, totals)
    centre = sum(failures) / sum(repairs) if target is None else checks.inner_share("target", target)
    shares = np.divide(failures, repairs)
    limits = [funnel_limits(repairs, centre, p) for p in (0.025, 0.975, 0.001, 0.999)]
    dispersion = _over_dispersion(shares, np.asarray(repairs), centre)
    drawn = [total >= REPAIRS_FOR_A_POSITION for total in repairs]
    columns = zip(failures, repairs, shares.tolist(), *limits, drawn, strict=True)
    units = tuple(FunnelUnit(*column) for column in columns)
    return Funnel(
        target=centre,
        over_dispersion=dispersion,
        units=units,
        n=sum(repairs),
        events=sum(failures),
        method=FUNNEL_METHOD,
        reference=FUNNEL_REFERENCE,
        cautions=_funnel_cautions(units, dispersion),
    )


def _unit_counts(events: Sequence[int], totals: Sequence[int]) -> tuple[list[int], list[int]]:
    failures, repairs = checks.counts("events", events), checks.counts("totals", totals)
    checks.same_length(events=failures, totals=repairs)
    if not repairs:
        raise ValueError("totals is empty: a funnel needs at least one unit; give its repairs and failures")
    for row, (failed, total) in enumerate(zip(failures, repairs, strict=True)):
        if not total:
            raise ValueError(f"totals[{row}] is 0: a unit without repairs has no share; leave it out")
        if failed > total:
            raise ValueError(f"events[{row}] is {failed}: it must be no more than totals[{row}], {total}")
    return failures, repairs


def funnel_limits(n: ArrayLike, target: float, p: float) -> tuple[float, ...]:
    """Give the share that a unit stays below with probability `p`, for each size.

    Parameters
    ----------
    n : array_like of int, shape (sizes,)
        Repairs of a unit, 1 or more.
    target : float
        The true share.
    p : float
        Probability below the limit: 0.025 and 0.975 for 95 %, 0.001 and 0.999 for 99.8 %.

    Notes
    -----
    With r the smallest whole number where P(R <= r) >= p, and a = (P(R <= r) - p) / P(R = r), the limit is
    (r - a) / n [Spiegelhalter 2005, A.1.1]. It isn't clipped to [0, 1]: that is for drawing.
    """
    sizes = np.asarray(n, dtype=np.int64)
    # The smallest whole number of a degenerate binomial is 0 or n itself; scipy counts from -1 there.
    r = np.maximum(binom.ppf(p, sizes, target), 0)
    at_most, below = binom.cdf(r, sizes, target), binom.cdf(r - 1, sizes, target)
    limits = (r - (at_most - p) / (at_most - below)) / sizes
    return tuple(limits.tolist())


def _over_dispersion(shares: FloatArray, totals: NDArray[np.int64], target: float) -> float | None:
    variance = target * (1 - target) / totals
    return float(np.mean((shares - target) ** 2 / variance)) if 0 < target < 1 else None


def _funnel_cautions(units: tuple[FunnelUnit, ...], dispersion: float | None) -> tuple[Caution, ...]:
    by_chance = 1.0 if dispersion is None else float(chi2.sf(dispersion * len(units), len(units)))
    small = few_repairs(sum(not unit.position_drawn for unit in units))
    return tuple(caution for caution in (small, over_dispersed(by_chance)) if caution)
