"""What ends a repair first: cumulative incidence of each cause, and the log-rank test of one cause.

Own code for the incidence, since no library takes weighted rows and late entries: statsmodels gives no error
for weighted rows, nor where all who are left go at once; lifelines moves tied times at random. statsmodels
seconds the results in the tests.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.estimators.cautions import Caution
from outcomes.estimators.comparison import LogRank, log_rank
from outcomes.estimators.observations import (
    BoolArray,
    FloatArray,
    IntArray,
    RiskTable,
    coded,
    observations,
    risk_table,
)
from outcomes.estimators.survival import SCALES, Interval, IntervalScale

METHOD = (
    "Aalen-Johansen estimate of the cumulative incidence of each cause: the share that it has ended, while "
    "the others were at work too. 95 % intervals on the {scale} scale."
)
REFERENCE = (
    "Aalen OO, Johansen S. Scand J Stat 1978;5:141-50. "
    "Marubini E, Valsecchi MG. Analysing Survival Data from Clinical Trials and Observational Studies. "
    "Wiley, 1995 (standard error)."
)
METHOD_LOG_RANK = "For {cause}, repairs that another cause ended count as censored then. {method}"
REFERENCE_LOG_RANK = "Prentice RL et al. Biometrics 1978;34:541-54 (cause-specific hazards)."

CENSORED = "0"
# A variance this small a part of the terms it is left of is rounding.
ROUNDING = 1e-13


@dataclass(frozen=True, slots=True)
class CauseIncidence:
    """One cause: what it ended, and the share it has ended by each time of the whole, with 95 % limits.

    Limits are None where the scale has no place for the share: 0 on the log scale, 0 and 1 on the log-log
    scale.
    """

    events: int
    events_at: tuple[int, ...]
    incidence: tuple[float, ...]
    std_error: tuple[float, ...]
    lower: tuple[float | None, ...]
    upper: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class IncidenceAt:
    """The incidence of each cause by one day, and how many are at risk then; past the last time all None."""

    day: float
    at_risk: int
    causes: dict[str, Interval]


@dataclass(frozen=True, slots=True)
class CumulativeIncidence:
    """The incidence of each cause; one entry for each distinct time, of ends or censorings, rising."""

    n: int
    events: int
    person_time: float
    time: tuple[float, ...]
    at_risk: tuple[int, ...]
    censored_at: tuple[int, ...]
    causes: dict[str, CauseIncidence]
    method: str
    reference: str
    cautions: tuple[Caution, ...]

    def at(self, day: float) -> IncidenceAt:
        """Read the incidences at `day`, in the unit of `time`: 0 before the first time, None past the last.

        `at_risk` counts who is at risk at the first time from `day` on.

        Raises
        ------
        ValueError
            If `day` is negative or not a number.
        """
        if not day >= 0:
            raise ValueError(f"day is {day}: it must be 0 or more; count it from the repair")
        if day > self.time[-1]:
            return IncidenceAt(float(day), 0, dict.fromkeys(self.causes, Interval(None, None, None)))
        latest = bisect_right(self.time, day) - 1
        read = {
            name: Interval(0.0, 0.0, 0.0)
            if latest < 0
            else Interval(cause.incidence[latest], cause.lower[latest], cause.upper[latest])
            for name, cause in self.causes.items()
        }
        return IncidenceAt(float(day), self.at_risk[bisect_left(self.time, day)], read)


def cumulative_incidence(
    time: ArrayLike,
    cause: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    causes: Sequence[object] = (),
    interval: IntervalScale = "log-log",
    entry: ArrayLike | None = None,
) -> CumulativeIncidence:
    """Estimate, for every cause, the share it has ended by each time.

    Parameters
    ----------
    time, weights, entry : array_like, shape (rows,)
        As in `observations`; rows of weight 0 are dropped.
    cause : array_like, shape (rows,)
        What ended the follow-up, a number or a name; 0 where it was censored.
    causes : sequence, optional
        Causes to list even if no row has them, as when groups are to be set side by side.
    interval : {"log-log", "log", "plain"}
        Scale on which the limits of an incidence lie evenly about it; limits beyond 0 or 1 are set to it.

    Raises
    ------
    ValueError
        If a column breaks its rule, a cause is missing, no row is left or the scale is not known.

    Notes
    -----
    Sources are in `REFERENCE`. Causes before censorings on the same day. With S(t-) the share no cause has
    ended before t, n at risk, d ended, d_k of them by cause k, and D the rise of I_k from then to t,

        I_k(t) = sum S(t-) d_k / n
        Var I_k(t) = sum D^2 d / (n (n - d)) + S(t-)^2 d_k (n - d_k) / n^3 - 2 D S(t-) d_k / n^2

    which is the infinitesimal jackknife, as the standard error of R's survfit of several states. Its
    intervals are R's with the same conf.type, where "log" is R's own choice. With one cause I = 1 - the
    Kaplan-Meier estimate.

    Examples
    --------
    >>> curves = cumulative_incidence([90, 200, 365, 400], ["failed", "replaced", 0, "failed"])
    >>> curves.causes["failed"].incidence
    (0.25, 0.25, 0.25, 0.75)
    >>> curves.causes["replaced"].incidence
    (0.0, 0.25, 0.25, 0.25)
    """
    if interval not in SCALES:
        raise ValueError(f"interval is {interval!r}: it must be one of {', '.join(SCALES)}; choose one")
    ended, names = _causes(cause, causes)
    rows = observations(time, ended >= 0, weights, entry)
    ended = ended[rows.weights > 0]
    rows = rows.where(rows.weights > 0)
    if not rows.time.size:
        raise ValueError("time has no row that counts: give at least one row with a weight of 1 or more")
    table = risk_table(rows)
    of_each = [table.moments.leaving(rows.weights * (ended == place))[:, 0] for place in range(len(names))]
    return CumulativeIncidence(
        n=int(rows.weights.sum()),
        events=int(table.failures.sum()),
        person_time=rows.person_time(),
        time=tuple(table.moments.time.tolist()),
        at_risk=tuple(table.at_risk.tolist()),
        censored_at=tuple(table.censored.tolist()),
        causes={name: _incidence(table, of, interval) for name, of in zip(names, of_each, strict=True)},
        method=METHOD.format(scale=interval),
        reference=REFERENCE,
        cautions=(),
    )


def cumulative_incidence_by_group(
    time: ArrayLike,
    cause: ArrayLike,
    group: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    interval: IntervalScale = "log-log",
    entry: ArrayLike | None = None,
) -> dict[str, CumulativeIncidence]:
    """Estimate the incidences in each group, by its name; each lists every cause of the whole.

    Parameters and errors are those of `cumulative_incidence`; a group of weight 0 is left out.
    """
    ended, names = _causes(cause, ())
    causes = np.array([*names, CENSORED], dtype=object)[ended]
    rows = observations(time, ended >= 0, weights, entry)
    member, labels = coded("group", group, rows.time.size)
    of_row = np.array(labels, dtype=object)[member]
    return {
        name: cumulative_incidence(
            rows.time[chosen],
            causes[chosen],
            rows.weights[chosen],
            causes=names,
            interval=interval,
            entry=np.maximum(rows.entry[chosen], 0),
        )
        for name in sorted(set(labels))
        if rows.weights[chosen := of_row == name].any()
    }


def cause_specific_log_rank(
    time: ArrayLike,
    cause: ArrayLike,
    group: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    strata: ArrayLike | None = None,
    entry: ArrayLike | None = None,
) -> dict[str, LogRank | None]:
    """Test, cause by cause, whether groups share its hazard among those whom nothing has ended yet.

    Parameters are those of `cumulative_incidence` and `comparison.log_rank`, which does the test; so are the
    errors, and None where there is nothing to test.

    Notes
    -----
    Prentice RL et al. Biometrics 1978;34:541-54: other causes count as censoring. This compares hazards;
    cumulative incidences can differ without it, through the other causes.
    """
    ended, names = _causes(cause, ())
    tests = {
        name: log_rank(time, ended == place, group, weights, strata=strata, entry=entry)
        for place, name in enumerate(names)
    }
    return {name: test and _of_cause(test, name) for name, test in tests.items()}


def _of_cause(test: LogRank, name: str) -> LogRank:
    method = METHOD_LOG_RANK.format(cause=name, method=test.method)
    return replace(test, method=method, reference=f"{test.reference} {REFERENCE_LOG_RANK}")


def _causes(cause: ArrayLike, listed: Sequence[object]) -> tuple[IntArray, list[str]]:
    """Give each row's cause as a place in the names, -1 for censored, and the names in order."""
    column = pd.Series(cause).to_numpy()
    if column.dtype.kind in "fb" and np.equal(column, np.floor(column)).all():
        column = column.astype(np.int64)  # 1.0 and True are cause 1
    codes, labels = coded("cause", column, column.size)
    names = sorted({*labels, *map(str, listed)} - {CENSORED}, key=_in_order)
    place = {name: position for position, name in enumerate(names)} | {CENSORED: -1}
    of_label = np.array([place[label] for label in labels], dtype=np.int64)
    return of_label[codes], names


def _in_order(name: str) -> tuple[float, str]:
    """Numbers by size, before names by letters."""
    return (float(name), "") if name.isdecimal() else (np.inf, name)


def _incidence(table: RiskTable, ended: IntArray, scale: IntervalScale) -> CauseIncidence:
    before = np.append(1.0, table.survival()[:-1])
    rise = before * ended / table.at_risk
    incidence = np.cumsum(rise)
    error = np.sqrt(_variance(table, ended, before, rise, incidence))
    # Undefined at 0 and 1 by the scale; an exponential may rightly overflow to a limit.
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        lower, upper = SCALES[scale](incidence, error)
    return CauseIncidence(
        events=int(ended.sum()),
        events_at=tuple(ended.tolist()),
        incidence=tuple(incidence.tolist()),
        std_error=tuple(error.tolist()),
        lower=_defined(lower),
        upper=_defined(upper),
    )


def _variance(
    table: RiskTable, ended: IntArray, before: FloatArray, rise: FloatArray, incidence: FloatArray
) -> FloatArray:
    """Sum the formula of `cumulative_incidence`, D = I(t) - I multiplied out so that one sweep will do."""
    hazard = table.greenwood_terms()
    cross = rise / table.at_risk
    terms = np.array(
        [
            incidence**2 * np.cumsum(hazard),
            -2 * incidence * np.cumsum(incidence * hazard),
            np.cumsum(incidence**2 * hazard),
            np.cumsum(before * cross * (table.at_risk - ended) / table.at_risk),
            -2 * incidence * np.cumsum(cross),
            2 * np.cumsum(incidence * cross),
        ]
    )
    variance = terms.sum(axis=0)
    nothing: BoolArray = variance <= ROUNDING * np.abs(terms).sum(axis=0)
    return np.where(nothing, 0.0, variance)


def _defined(values: FloatArray) -> tuple[float | None, ...]:
    return tuple(None if np.isnan(value) else value for value in values.tolist())
