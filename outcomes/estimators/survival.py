"""How many repairs still stand: the Kaplan-Meier curve of right-censored counts, its intervals and median.

The checked input rows (`Observations`) live here too: every estimator of right-censored data starts there.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from lifelines import KaplanMeierFitter
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

METHOD = (
    "Kaplan-Meier estimate of the share still standing (failures counted before censorings on the same day), "
    "Greenwood standard error, 95 % intervals on the log-log scale, "
    "median where the curve and its limits cross one half."
)
REFERENCE = (
    "Kaplan EL, Meier P. J Am Stat Assoc 1958;53:457-81. "
    "Greenwood M. The natural duration of cancer. Rep Public Health Med Subj 1926;33:1-26. "
    "Kalbfleisch JD, Prentice RL. The Statistical Analysis of Failure Time Data. Wiley, 1980 (interval). "
    "Brookmeyer R, Crowley J. Biometrics 1982;38:29-41 (interval of the median)."
)

# Whole years as days: floor(365.25 x years).
LANDMARK_DAYS: dict[int, int] = {1: 365, 2: 730, 5: 1826}

# A curve this close to one half lies on it: the square root of double precision, as in R's quantile.survfit.
HALF_TOLERANCE = float(np.sqrt(np.finfo(np.float64).eps))


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its 95 % limits; None where one is not defined or not reached."""

    estimate: float | None
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True)
class Landmark:
    """The curve read at one day, with the number followed at least that long; past the last time all None."""

    day: float
    survival: float | None
    lower: float | None
    upper: float | None
    at_risk: int


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """A Kaplan-Meier curve: one entry for each distinct time, of failures or censorings, in rising order.

    `std_error` is Greenwood's, of the survival itself, None where survival is 0. The limits are None where
    survival is 0 or still 1: the log-log scale has no place for either. `person_time` has the unit of `time`.
    """

    n: int
    events: int
    person_time: float
    time: tuple[float, ...]
    at_risk: tuple[int, ...]
    events_at: tuple[int, ...]
    censored_at: tuple[int, ...]
    survival: tuple[float, ...]
    std_error: tuple[float | None, ...]
    lower: tuple[float | None, ...]
    upper: tuple[float | None, ...]
    median: Interval
    landmarks: tuple[Landmark, ...]

    def at(self, day: float) -> Landmark:
        """Read the curve at `day`, in the unit of `time`.

        Before the first time everybody stands (survival 1, limits 1 and 1); past the last nothing is known.

        Raises
        ------
        ValueError
            If `day` is negative or not a number.
        """
        if not day >= 0:
            raise ValueError(f"day is {day}: it must be 0 or more; count it from the repair")
        if day > self.time[-1]:
            return Landmark(float(day), None, None, None, 0)
        at_risk = self.at_risk[bisect_left(self.time, day)]
        latest = bisect_right(self.time, day) - 1
        if latest < 0:
            return Landmark(float(day), 1.0, 1.0, 1.0, at_risk)
        return Landmark(float(day), self.survival[latest], self.lower[latest], self.upper[latest], at_risk)


@dataclass(frozen=True, slots=True)
class Observations:
    """Checked rows of right-censored data, arrays of shape (rows,); `weights` repairs stand behind a row."""

    time: FloatArray
    failed: BoolArray
    weights: IntArray

    def where(self, chosen: BoolArray) -> Observations:
        return Observations(self.time[chosen], self.failed[chosen], self.weights[chosen])


def observations(time: ArrayLike, failed: ArrayLike, weights: ArrayLike | None = None) -> Observations:
    """Check right-censored rows and give them as arrays, none dropped.

    Parameters
    ----------
    time : array_like, shape (rows,)
        Follow-up to failure or to last known well, in any one unit; finite, 0 or more.
    failed : array_like, shape (rows,)
        1 or True where follow-up ended in failure, 0 or False where it was censored.
    weights : array_like, shape (rows,), optional
        How many repairs each row stands for, a whole number, 0 or more; 1 each when not given.

    Raises
    ------
    ValueError
        Naming the argument, the offending value and the rule.
    """
    times = _column("time", time, "a time must be a finite number, 0 or more", _is_time)
    failures = _column("failed", failed, "it must be 1 (failed) or 0 (censored)", _is_flag)
    counts = np.ones_like(times)
    if weights is not None:
        counts = _column("weights", weights, "a weight must be a whole number, 0 or more", _is_count)
    check_length("failed", failures.size, times.size)
    check_length("weights", counts.size, times.size)
    return Observations(times, failures.astype(np.bool_), counts.astype(np.int64))


def check_length(name: str, size: int, rows: int) -> None:
    if size != rows:
        raise ValueError(f"{name} has {size} values, time has {rows}: give one of each for every row")


def _column(name: str, values: ArrayLike, rule: str, holds: Callable[[FloatArray], BoolArray]) -> FloatArray:
    try:
        column = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ValueError(
            f"{name} must hold numbers only: {error}; correct it or leave its row out"
        ) from error
    if column.ndim != 1:
        raise ValueError(f"{name} has {column.ndim} dimensions: give one value for each row")
    wrong = np.flatnonzero(~holds(column))
    if wrong.size:
        raise ValueError(f"{name}[{wrong[0]}] is {column[wrong[0]]}: {rule}; correct it or leave its row out")
    return column


def _is_time(values: FloatArray) -> BoolArray:
    return np.isfinite(values) & (values >= 0)


def _is_flag(values: FloatArray) -> BoolArray:
    return np.isin(values, (0, 1))


def _is_count(values: FloatArray) -> BoolArray:
    return _is_time(values) & np.equal(values, np.floor(values))


def kaplan_meier(
    time: ArrayLike,
    failed: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    at: Sequence[float] = tuple(LANDMARK_DAYS.values()),
) -> SurvivalCurve:
    """Estimate the survival curve of right-censored counts, with pointwise 95 % limits.

    Parameters
    ----------
    time, failed, weights : array_like, shape (rows,)
        As in `observations`; rows of weight 0 are dropped.
    at : sequence of float
        Days to read the curve at, in the unit of `time`.

    Raises
    ------
    ValueError
        If a column breaks its rule or no row is left.

    Notes
    -----
    Sources are in `REFERENCE`. Where lifelines differs from R by definition (survival 3.5-3, survfit with
    conf.type = "log-log"), R is followed: limits are undefined at survival 1 and 0, not [1, 1] and [0, 0];
    a curve that lies on one half has its median in the middle of that stretch (quantile.survfit).

    Examples
    --------
    >>> curve = kaplan_meier([90, 365, 400, 800], [True, False, True, False], at=(365,))
    >>> curve.time, curve.at_risk
    ((90.0, 365.0, 400.0, 800.0), (4, 3, 2, 1))
    >>> [round(share, 3) for share in curve.survival]
    [0.75, 0.75, 0.375, 0.375]
    >>> curve.median.estimate
    400.0
    """
    rows = observations(time, failed, weights)
    rows = rows.where(rows.weights > 0)
    if not rows.time.size:
        raise ValueError("time has no row that counts: give at least one row with a weight of 1 or more")
    curve = _curve(rows)
    return replace(curve, landmarks=tuple(curve.at(day) for day in at))


def _curve(rows: Observations) -> SurvivalCurve:
    fitter = _fit(rows)
    # lifelines adds day 0, the day of entry, as a row of its own; it counts only when somebody left that day.
    left = (fitter.event_table["removed"] > 0).to_numpy()
    table = fitter.event_table[left]
    at_risk, failures = table["at_risk"].to_numpy(), table["observed"].to_numpy()
    times = table.index.to_numpy(dtype=np.float64)
    survival = fitter.survival_function_.to_numpy()[left, 0]
    on_scale = (survival > 0) & (survival < 1)
    lower, upper = np.where(on_scale, fitter.confidence_interval_.to_numpy()[left].T, np.nan)
    return SurvivalCurve(
        n=int(rows.weights.sum()),
        events=int(failures.sum()),
        person_time=float(rows.time @ rows.weights),
        time=tuple(times.tolist()),
        at_risk=tuple(at_risk.tolist()),
        events_at=tuple(failures.tolist()),
        censored_at=tuple(table["censored"].to_list()),
        survival=tuple(survival.tolist()),
        std_error=_defined(_greenwood(survival, at_risk, failures)),
        lower=_defined(lower),
        upper=_defined(upper),
        median=Interval(_halfway(times, survival), _halfway(times, lower), _halfway(times, upper)),
        landmarks=(),
    )


def _fit(rows: Observations) -> KaplanMeierFitter:
    # lifelines silences numpy's warnings for the whole process; the context gives them back.
    with np.errstate(divide="ignore", invalid="ignore"):
        return KaplanMeierFitter().fit(rows.time, rows.failed, weights=rows.weights)


def _greenwood(survival: FloatArray, at_risk: IntArray, failures: IntArray) -> FloatArray:
    """Give S sqrt(sum of d / (n (n - d))) [Greenwood 1926], NaN once nobody is left."""
    with np.errstate(divide="ignore", invalid="ignore"):
        variance_of_log = np.cumsum(failures / (at_risk * (at_risk - failures)))
        return np.multiply(survival, np.sqrt(variance_of_log))


def _halfway(times: FloatArray, curve: FloatArray) -> float | None:
    """Find the first time `curve` is down to one half, or the middle of the stretch where it lies on it."""
    reached = np.flatnonzero(curve <= 0.5 + HALF_TOLERANCE)
    if not reached.size:
        return None
    below = np.flatnonzero(curve < 0.5 - HALF_TOLERANCE)
    first, end_of_stretch = reached[0], below[0] if below.size else -1
    return float(times[first] if first == end_of_stretch else (times[first] + times[end_of_stretch]) / 2)


def _defined(values: FloatArray) -> tuple[float | None, ...]:
    optional = values.astype(object)
    optional[np.isnan(values)] = None
    return tuple(optional.tolist())
