"""What if the lost fared worse: bounds of survival, and the hazard ratio in them that changes a conclusion.

Own code over the Kaplan-Meier curve: no kept library has either for right-censored counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from outcomes.estimators import checks
from outcomes.estimators.cautions import Caution
from outcomes.estimators.observations import Observations, observations
from outcomes.estimators.survival import Landmark, SurvivalCurve, kaplan_meier

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

BOUNDS_FORMULA = (
    "S(t) as followed, with every lost repair failed on its last day, and with every lost repair never "
    "failing."
)
BOUNDS_METHOD = (
    "Kaplan-Meier survival as followed, and again with every repair lost to follow-up counted as failed on "
    "the day it was lost, and as never failed; those still followed at the close stay censored."
)
BOUNDS_REFERENCE = "Kaplan EL, Meier P. J Am Stat Assoc 1958;53:457-81. Worst and best case: common practice."
TIPPING_FORMULA = (
    "The ratio r at which S_r(t) falls below the threshold; for S_r the share 1 - (S(t) / S(c)) ^ (r - 1) "
    "of those lost at c counts as failed at c."
)
TIPPING_METHOD = (
    "Tipping point: after loss the lost are given the hazard of those still followed times a ratio, as "
    "expected failures without random draws, and the ratio is sought at which survival falls below the "
    "threshold."
)
TIPPING_REFERENCE = (
    "Jackson D, White IR, Seaman S, et al. Stat Med 2014;33:4681-94 (from memory): hazard changed after "
    "censoring, here as its expectation instead of by imputation."
)


@dataclass(frozen=True, slots=True)
class Bounds:
    """Survival at one day as followed, and between what limits the fate of the lost could move it.

    The intervals allow for chance alone, each as if its assumption were true.
    """

    at: float
    as_followed: Landmark
    lost_failed: Landmark
    lost_never_failed: Landmark
    n: int
    events: int
    lost: int
    method: str
    reference: str
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class TippingPoint:
    """The hazard ratio in the lost at which "survival is at least `threshold`" stops being true.

    `holds` says whether it is true as followed, None where the curve doesn't reach the day. `ratio` is None
    when it doesn't hold, or holds even if every lost repair failed on the day it was lost (`worst`); infinite
    when nothing short of that would change it, since nobody followed failed later.
    """

    at: float
    threshold: float
    survival: float | None
    worst: float | None
    holds: bool | None
    ratio: float | None
    n: int
    events: int
    lost: int
    method: str
    reference: str
    cautions: tuple[Caution, ...]


def bounds(
    time: ArrayLike,
    failed: ArrayLike,
    lost: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    at: float,
    entry: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
) -> Bounds:
    """Bound survival by what may have become of the lost.

    Parameters
    ----------
    time, failed, weights, entry, cluster : array_like, shape (rows,)
        As in `survival.kaplan_meier`.
    lost : array_like, shape (rows,)
        1 or True where a repair was lost to follow-up before the close; 0 or False where it failed, or was
        still followed at the close.
    at : float
        The day to read at, in the unit of `time`.

    Raises
    ------
    ValueError
        If a column breaks its rule, a lost repair is also failed, or no row is left.

    Notes
    -----
    All three are None past the last time. Repairs that never failed are followed to the last time of all.
    """
    rows = observations(time, failed, weights, entry)
    gone = _lost(lost, rows)
    end = rows.time.max(initial=0.0)

    def landmark(times: FloatArray, failures: BoolArray) -> Landmark:
        curve = kaplan_meier(times, failures, rows.weights, at=(at,), entry=entry, cluster=cluster)
        return curve.landmarks[0]

    curve = kaplan_meier(rows.time, rows.failed, rows.weights, at=(at,), entry=entry, cluster=cluster)
    return Bounds(
        at=float(at),
        as_followed=curve.landmarks[0],
        lost_failed=landmark(rows.time, rows.failed | gone),
        lost_never_failed=landmark(np.where(gone, end, rows.time), rows.failed),
        n=curve.n,
        events=curve.events,
        lost=int(rows.weights[gone].sum()),
        method=BOUNDS_METHOD,
        reference=BOUNDS_REFERENCE,
        cautions=curve.cautions,
    )


def _lost(lost: ArrayLike, rows: Observations) -> BoolArray:
    flags = np.asarray(lost)
    checks.same_length(time=rows.time, lost=flags)
    wrong = np.flatnonzero(~np.isin(flags, (0, 1)))
    if wrong.size:
        raise ValueError(f"lost[{wrong[0]}] is {flags[wrong[0]]}: it must be 1 (lost) or 0 (not); correct it")
    gone = flags.astype(np.bool_)
    both = np.flatnonzero(gone & rows.failed)
    if both.size:
        raise ValueError(
            f"lost[{both[0]}] is 1 and so is failed: a failure was seen, so it is not lost; correct it"
        )
    return gone


def survival_at_ratio(
    time: ArrayLike,
    failed: ArrayLike,
    lost: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    at: float,
    ratio: float,
    entry: ArrayLike | None = None,
) -> float | None:
    """Give survival if the lost had, after their loss, so many times the hazard of those still followed.

    Parameters
    ----------
    time, failed, lost, weights, at, entry
        As in `bounds`.
    ratio : float
        Hazard ratio, 1 or more; infinite for failure on the day of loss.

    Returns
    -------
    float or None
        None past the last time.

    Raises
    ------
    ValueError
        If a column breaks its rule or the ratio is below 1.

    Notes
    -----
    Of those lost at c, S(at)/S(c) would still stand if they were like the followed, and [S(at)/S(c)]^ratio at
    the ratio. So the share 1 - [S(at)/S(c)]^(ratio - 1) of them is counted as failed at c, the rest stays
    censored there. Ratio 1 is then the Kaplan-Meier estimate itself, an infinite ratio the bound with the
    lost failed at loss, and survival falls as the ratio rises. It is exact when all were lost at one time;
    else the rest shares in the failures of those lost later, a little to the dark side.
    """
    if not ratio >= 1:
        raise ValueError(f"ratio is {ratio}: it must be 1 or more; the best case is a bound of its own")
    lost_after = _lost_after(time, failed, lost, weights, at, entry)
    return lost_after.survival(lost_after.failing(ratio)) if lost_after else None


def tipping_point(
    time: ArrayLike,
    failed: ArrayLike,
    lost: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    at: float,
    threshold: float,
    entry: ArrayLike | None = None,
) -> TippingPoint:
    """Find how much worse the lost must have fared for survival at `at` to fall below `threshold`.

    Parameters
    ----------
    time, failed, lost, weights, at, entry
        As in `bounds`.
    threshold : float
        The share standing that is claimed, above 0 and below 1.

    Raises
    ------
    ValueError
        If a column or number breaks its rule.

    Notes
    -----
    The estimate is judged, not its lower limit: a limit on the log-log scale needn't fall as failures are
    added, so no one ratio belongs to it. The formula is in `survival_at_ratio`.
    """
    claimed = checks.inner_share("threshold", threshold)
    rows = observations(time, failed, weights, entry)
    lost_after = _lost_after(time, failed, lost, weights, at, entry)
    standing = lost_after.survival(lost_after.failing(1)) if lost_after else None
    return TippingPoint(
        at=float(at),
        threshold=claimed,
        survival=standing,
        worst=lost_after.survival(lost_after.failing(inf)) if lost_after else None,
        holds=None if standing is None else standing >= claimed,
        ratio=lost_after.tipping_ratio(claimed) if lost_after else None,
        n=int(rows.weights.sum()),
        events=int(rows.weights[rows.failed].sum()),
        lost=int(rows.weights[_lost(lost, rows)].sum()),
        method=TIPPING_METHOD,
        reference=TIPPING_REFERENCE,
        cautions=(),
    )


@dataclass(frozen=True, slots=True)
class _LostAfter:
    """The distinct times up to the day of reading, arrays of shape (times,).

    `remaining` is the chance of a repair that stands just after each time to stand on the day of reading.
    """

    at_risk: FloatArray
    failures: FloatArray
    lost: FloatArray
    remaining: FloatArray

    def failing(self, ratio: float) -> FloatArray:
        """Give the expected number of those lost at each time to be counted as failed then."""
        if ratio == inf:
            return self.lost
        return self.lost * (1 - self.remaining ** (ratio - 1))

    def survival(self, failing: FloatArray) -> float:
        return float(np.prod(1 - (self.failures + failing) / self.at_risk))

    def tipping_ratio(self, threshold: float) -> float | None:
        if not self.survival(self.lost) < threshold <= self.survival(self.failing(1)):
            return None
        if self.survival(self.lost * (self.remaining < 1)) >= threshold:
            return inf
        # From ratio 1 to infinity on a scale from 0 to 1.
        root = brentq(lambda part: self._above(threshold, part), 0.0, 1.0, xtol=1e-15, rtol=1e-14)
        return 1 / (1 - float(root))

    def _above(self, threshold: float, part: float) -> float:
        added = self.lost * (self.remaining < 1) if part == 1 else self.failing(1 / (1 - part))
        return self.survival(added) - threshold


def _lost_after(
    time: ArrayLike,
    failed: ArrayLike,
    lost: ArrayLike,
    weights: ArrayLike | None,
    at: float,
    entry: ArrayLike | None,
) -> _LostAfter | None:
    """Count what `survival_at_ratio` needs; None past the last time."""
    rows = observations(time, failed, weights, entry)
    gone = _lost(lost, rows)
    curve = kaplan_meier(rows.time, rows.failed, rows.weights, at=(at,), entry=entry)
    standing = curve.landmarks[0].survival
    if standing is None:
        return None
    until = np.searchsorted(curve.time, at, side="right")
    survival = np.asarray(curve.survival[:until])
    return _LostAfter(
        at_risk=np.asarray(curve.at_risk[:until], dtype=np.float64),
        failures=np.asarray(curve.events_at[:until], dtype=np.float64),
        lost=_per_time(curve, rows.time[gone], rows.weights[gone])[:until],
        remaining=np.divide(standing, survival, out=np.zeros_like(survival), where=survival > 0),
    )


def _per_time(curve: SurvivalCurve, times: FloatArray, weights: NDArray[np.int64]) -> FloatArray:
    tally = np.bincount(np.searchsorted(curve.time, times), weights, len(curve.time))
    return tally.astype(np.float64)
