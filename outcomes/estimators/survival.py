"""How many repairs still stand: the Kaplan-Meier curve of right-censored counts, its intervals and median.

Own code, since no library takes weighted rows, late entries and the patient as cluster together; the tests
hold it to R, and lifelines and statsmodels second it.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from outcomes.estimators import clustered
from outcomes.estimators.cautions import Caution, few_at_first_failure, few_at_risk
from outcomes.estimators.normal import Z_95
from outcomes.estimators.observations import (
    BoolArray,
    FloatArray,
    IntArray,
    Observations,
    RiskTable,
    check_length,
    observations,
    risk_table,
)

__all__ = [
    "LANDMARK_DAYS",
    "METHOD",
    "REFERENCE",
    "BoolArray",
    "FloatArray",
    "IntArray",
    "Interval",
    "IntervalScale",
    "Landmark",
    "Observations",
    "SurvivalCurve",
    "check_length",
    "kaplan_meier",
    "observations",
]

IntervalScale = Literal["log-log", "log", "plain"]

GREENWOOD = "Greenwood standard error"
BY_PATIENT = "standard error by the infinitesimal jackknife with the patient as cluster"
LATE_ENTRY = "Repairs entered late are at risk only after their entry."
FORMULA = (
    "S(t) = product over failure times s <= t of (1 - d(s) / n(s)), n(s) at risk just before s and d(s) "
    "failing at s; Var log S(t) = sum over s <= t of d(s) / (n(s) (n(s) - d(s))); 95 % limits S(t) ^ "
    "exp(+/- z se(log S(t)) / log S(t)), z = 1.96; at risk at s: entry < s <= time."
)
SENTENCE = (
    "Kaplan-Meier estimate of the share still standing (failures counted before censorings on the same day), "
    "{error}, 95 % intervals on the {scale} scale, "
    "median where the curve and its limits cross one half."
)
METHOD = SENTENCE.format(error=GREENWOOD, scale="log-log")
REFERENCE = (
    "Kaplan EL, Meier P. J Am Stat Assoc 1958;53:457-81. "
    "Greenwood M. The natural duration of cancer. Rep Public Health Med Subj 1926;33:1-26. "
    "Kalbfleisch JD, Prentice RL. The Statistical Analysis of Failure Time Data. Wiley, 1980 (interval). "
    "Brookmeyer R, Crowley J. Biometrics 1982;38:29-41 (interval of the median)."
)
# From memory.
REFERENCE_LATE_ENTRY = "Tsai WY, Jewell NP, Wang MC. Biometrika 1987;74:883-6 (left truncation)."

# Whole years as days: floor(365.25 x years).
LANDMARK_DAYS: dict[int, int] = {1: 365, 2: 730, 5: 1826}

# The normal deviate of a two-sided 95 % interval.
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
    """The curve read at one day, with the number at risk that day; past the last time all None."""

    day: float
    survival: float | None
    lower: float | None
    upper: float | None
    at_risk: int


@dataclass(frozen=True, slots=True)
class SurvivalCurve:
    """A Kaplan-Meier curve: one entry for each distinct time, of failures or censorings, in rising order.

    `std_error` is of the survival itself: Greenwood's or, where `robust`, with the patient as cluster; None
    where survival is 0. The limits are None where survival is 0 and, on the log-log scale, still 1: the
    scale has no place for either. `person_time` has the unit of `time`. `entry` lists the distinct late
    entries in rising order, `entering` how many repairs entered at each; both are empty where all were
    followed from the start.
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
    entry: tuple[float, ...]
    entering: tuple[int, ...]
    robust: bool
    method: str
    reference: str
    cautions: tuple[Caution, ...]

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
        at_risk = self._at_risk(day)
        latest = bisect_right(self.time, day) - 1
        if latest < 0:
            return Landmark(float(day), 1.0, 1.0, 1.0, at_risk)
        return Landmark(float(day), self.survival[latest], self.lower[latest], self.upper[latest], at_risk)

    def course(self, days: FloatArray) -> tuple[FloatArray, IntArray]:
        """Read survival and the number at risk on many days; past the last time NaN and 0, as in `at`."""
        time, entry = np.array(self.time), np.array(self.entry)
        known = days <= time[-1]
        following = np.searchsorted(time, days[known])
        entered = np.append(0, np.cumsum(self.entering, dtype=np.int64))
        between = [entered[np.searchsorted(entry, until)] for until in (time[following], days[known])]
        at_risk = np.zeros(days.size, np.int64)
        at_risk[known] = np.array(self.at_risk)[following] - (between[0] - between[1])
        standing = np.append(1.0, self.survival)
        survival = np.where(known, standing[np.searchsorted(time, days, side="right")], np.nan)
        return survival, at_risk

    def _at_risk(self, day: float) -> int:
        """Count entry < day <= time: those at risk at the next time, less who enters in between."""
        following = bisect_left(self.time, day)
        still_to_enter = slice(bisect_left(self.entry, day), bisect_left(self.entry, self.time[following]))
        return self.at_risk[following] - sum(self.entering[still_to_enter])


def kaplan_meier(
    time: ArrayLike,
    failed: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    at: Sequence[float] = tuple(LANDMARK_DAYS.values()),
    interval: IntervalScale = "log-log",
    entry: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
) -> SurvivalCurve:
    """Estimate the survival curve of right-censored counts, with pointwise 95 % limits.

    Parameters
    ----------
    time, failed, weights, entry : array_like, shape (rows,)
        As in `observations`; rows of weight 0 are dropped.
    at : sequence of float
        Days to read the curve at, in the unit of `time`.
    interval : {"log-log", "log", "plain"}
        Scale on which the limits lie evenly about the estimate; limits beyond 0 or 1 are set to it.
    cluster : array_like, shape (rows,), optional
        The patient of each row, as in `clustered.sample`: standard error, limits and the interval of the
        median then allow for repairs of one patient going together. Undefined where there is only one
        patient.

    Raises
    ------
    ValueError
        If a column breaks its rule, no row is left or the scale is not known.

    Notes
    -----
    Sources are in `REFERENCE` and `clustered.REFERENCE`. As R (survival 3.5-3, survfit with the same
    conf.type, and cluster with robust = TRUE): log-log limits are undefined at survival 1, all limits at
    survival 0; a curve that lies on one half has its median in the middle of that stretch
    (quantile.survfit). With late entries few may be at risk early on, and a curve that has come down to 0
    stays there.

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
    if interval not in SCALES:
        raise ValueError(f"interval is {interval!r}: it must be one of {', '.join(SCALES)}; choose one")
    rows, of = clustered.sample(time, failed, weights, entry, cluster)
    curve = _curve(rows, of, interval)
    landmarks = tuple(curve.at(day) for day in at)
    return replace(curve, landmarks=landmarks, cautions=_cautions(curve, landmarks))


def _curve(rows: Observations, of: clustered.Patients | None, scale: IntervalScale) -> SurvivalCurve:
    table = risk_table(rows)
    survival = table.survival()
    std_error = _std_error(rows, table, of, survival)
    lower, upper = _limits(scale, survival, std_error)
    times = table.moments.time
    late, entering = _late_entries(rows)
    return SurvivalCurve(
        n=int(rows.weights.sum()),
        events=int(table.failures.sum()),
        person_time=rows.person_time(),
        time=tuple(times.tolist()),
        at_risk=tuple(table.at_risk.tolist()),
        events_at=tuple(table.failures.tolist()),
        censored_at=tuple(table.censored.tolist()),
        survival=tuple(survival.tolist()),
        std_error=_defined(std_error),
        lower=_defined(lower),
        upper=_defined(upper),
        median=Interval(_halfway(times, survival), _halfway(times, lower), _halfway(times, upper)),
        landmarks=(),
        entry=late,
        entering=entering,
        robust=of is not None,
        method=_method(scale, of is not None, bool(late)),
        reference=_reference(of is not None, bool(late)),
        cautions=(),
    )


def _std_error(
    rows: Observations, table: RiskTable, of: clustered.Patients | None, survival: FloatArray
) -> FloatArray:
    """Give the standard error of survival, NaN where nobody is left."""
    variance_of_log = clustered.variance_of_log(rows, table, of) if of else table.greenwood_terms().cumsum()
    return np.where(survival > 0, survival * np.sqrt(variance_of_log), np.nan)


def _plain(survival: FloatArray, std_error: FloatArray) -> tuple[FloatArray, FloatArray]:
    reach = Z_95 * std_error
    return np.maximum(survival - reach, 0), np.minimum(survival + reach, 1)


def _log(survival: FloatArray, std_error: FloatArray) -> tuple[FloatArray, FloatArray]:
    factor = np.exp(Z_95 * std_error / survival)
    return survival / factor, np.minimum(survival * factor, 1)


def _log_log(survival: FloatArray, std_error: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give S to the power exp(+-z SE / (S log S)) [Kalbfleisch & Prentice 1980]."""
    inside = np.where((survival > 0) & (survival < 1), survival, np.nan)
    power = np.exp(Z_95 * std_error / (inside * np.log(inside)))
    return inside ** (1 / power), inside**power


SCALES: dict[IntervalScale, Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]] = {
    "log-log": _log_log,
    "log": _log,
    "plain": _plain,
}


def _limits(
    scale: IntervalScale, survival: FloatArray, std_error: FloatArray
) -> tuple[FloatArray, FloatArray]:
    # Where the error dwarfs what is left, the exponential overflows, rightly, to a limit of 0 or 1.
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        return SCALES[scale](survival, std_error)


def _halfway(times: FloatArray, curve: FloatArray) -> float | None:
    """Find the first time `curve` is down to one half, or the middle of the stretch where it lies on it.

    A limit may rise again late in the curve. As in R's quantile.survfit the time is then that of its highest
    value not above one half.
    """
    first, below = _highest(curve, 0.5 + HALF_TOLERANCE), _highest(curve, 0.5 - HALF_TOLERANCE)
    if first is None:
        return None
    # Never below one half: the stretch goes on to the last time.
    return float((times[first] + times[-1 if below is None else below]) / 2)


def _highest(curve: FloatArray, limit: float) -> int | None:
    """Find the place of the highest value of `curve` that is not above `limit`, the first of equals."""
    values = np.where(curve <= limit, curve, -np.inf)
    place = int(values.argmax())
    return place if np.isfinite(values[place]) else None


def _late_entries(rows: Observations) -> tuple[tuple[float, ...], tuple[int, ...]]:
    """List the distinct late entries, and how many repairs entered at each."""
    late = np.isfinite(rows.entry)
    entries, position = np.unique(rows.entry[late], return_inverse=True)
    entering = np.bincount(position, rows.weights[late], entries.size).astype(np.int64)
    return tuple(entries.tolist()), tuple(entering.tolist())


def _defined(values: FloatArray) -> tuple[float | None, ...]:
    optional = values.astype(object)
    optional[np.isnan(values)] = None
    return tuple(optional.tolist())


def _method(scale: IntervalScale, robust: bool, late: bool) -> str:
    said = SENTENCE.format(error=BY_PATIENT if robust else GREENWOOD, scale=scale)
    return f"{said} {LATE_ENTRY}" if late else said


def _reference(robust: bool, late: bool) -> str:
    said = (REFERENCE, clustered.REFERENCE if robust else "", REFERENCE_LATE_ENTRY if late else "")
    return " ".join(filter(None, said))


def _cautions(curve: SurvivalCurve, landmarks: Sequence[Landmark]) -> tuple[Caution, ...]:
    """Caution where the landmarks read rest on few, and where late entries leave few at the first failure."""
    read = [landmark.at_risk for landmark in landmarks if landmark.survival is not None]
    failing = [n for n, failures in zip(curve.at_risk, curve.events_at, strict=True) if failures]
    said = (
        few_at_risk(min(read)) if read else None,
        few_at_first_failure(failing[0]) if curve.entry and failing else None,
    )
    return tuple(filter(None, said))
