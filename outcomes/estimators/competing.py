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

from outcomes.estimators import clustered
from outcomes.estimators.cautions import Caution
from outcomes.estimators.comparison import LogRank, log_rank
from outcomes.estimators.incidence_error import Cause, repairs_apart, std_error
from outcomes.estimators.observations import (
    FloatArray,
    IntArray,
    coded,
    observations,
    risk_table,
)
from outcomes.estimators.survival import BY_PATIENT, SCALES, Interval, IntervalScale

FORMULA = "I_k(t) = sum over s <= t of S(s-) d_k(s) / n(s), S the share that no cause has ended."
METHOD = (
    "Aalen-Johansen estimate of the cumulative incidence of each cause: the share that it has ended, while "
    "the others were at work too; {error}, 95 % intervals on the {scale} scale."
)
JACKKNIFE = "standard error by the infinitesimal jackknife"
REFERENCE = (
    "Aalen OO, Johansen S. Scand J Stat 1978;5:141-50. "
    "Marubini E, Valsecchi MG. Analysing Survival Data from Clinical Trials and Observational Studies. "
    "Wiley, 1995 (standard error without late entries). "
    "Therneau TM, Grambsch PM. Modeling Survival Data. Springer, 2000 (infinitesimal jackknife)."
)
METHOD_LOG_RANK = "For {cause}, repairs that another cause ended count as censored then. {method}"
REFERENCE_LOG_RANK = "Prentice RL et al. Biometrics 1978;34:541-54 (cause-specific hazards)."

CENSORED = "0"


@dataclass(frozen=True, slots=True)
class CauseIncidence:
    """One cause: what it ended, and the share it has ended by each time of the whole, with 95 % limits.

    Limits are None where the scale has no place for the share: 0 on the log scale, 0 and 1 on the log-log
    scale. They and the errors are None for a single patient as the only cluster.
    """

    events: int
    events_at: tuple[int, ...]
    incidence: tuple[float, ...]
    std_error: tuple[float | None, ...]
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
    robust: bool
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
    cluster: ArrayLike | None = None,
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
    cluster : array_like, shape (rows,), optional
        The patient of each row, as in `clustered.sample`: errors and limits then allow for repairs of one
        patient going together. Undefined where there is only one patient.

    Raises
    ------
    ValueError
        If a column breaks its rule, a cause is missing, no row is left or the scale is not known.

    Notes
    -----
    Sources are in `REFERENCE`. Causes before censorings on the same day: I_k(t) = sum of S(t-) d_k / n, with
    S(t-) the share no cause has ended before t, n at risk and d_k ended by cause k. The error is, as that of
    R's survfit of several states, the infinitesimal jackknife; see `incidence_error`. Without late entries it
    is also the sum of variances over the times, D the rise of I_k from each to t and d ended by any cause,

        D^2 d / (n (n - d)) + S(t-)^2 d_k (n - d_k) / n^3 - 2 D S(t-) d_k / n^2

    The intervals are R's with the same conf.type, where "log" is R's own choice. With one cause I = 1 - the
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
    ended, names = _causes(cause, causes, time)
    rows, of = clustered.sample(time, ended >= 0, weights, entry, cluster)
    if weights is not None:
        ended = ended[np.asarray(weights) > 0]
    table = risk_table(rows)
    return CumulativeIncidence(
        n=int(rows.weights.sum()),
        events=int(table.failures.sum()),
        person_time=rows.person_time(),
        time=tuple(table.moments.time.tolist()),
        at_risk=tuple(table.at_risk.tolist()),
        censored_at=tuple(table.censored.tolist()),
        causes={
            name: _incidence(Cause(rows, table, ended == place), of, interval)
            for place, name in enumerate(names)
        },
        robust=of is not None,
        method=METHOD.format(error=BY_PATIENT if of else JACKKNIFE, scale=interval),
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
    cluster: ArrayLike | None = None,
) -> dict[str, CumulativeIncidence]:
    """Estimate the incidences in each group, by its name; each lists every cause of the whole.

    Parameters and errors are those of `cumulative_incidence`; a group of weight 0 is left out.
    """
    ended, names = _causes(cause, (), time)
    patient = None if cluster is None else np.asarray(cluster, dtype=object)
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
            cluster=None if patient is None else patient[chosen],
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
    ended, names = _causes(cause, (), time)
    tests = {
        name: log_rank(time, ended == place, group, weights, strata=strata, entry=entry)
        for place, name in enumerate(names)
    }
    return {name: test and _of_cause(test, name) for name, test in tests.items()}


def _of_cause(test: LogRank, name: str) -> LogRank:
    method = METHOD_LOG_RANK.format(cause=name, method=test.method)
    return replace(test, method=method, reference=f"{test.reference} {REFERENCE_LOG_RANK}")


def _causes(cause: ArrayLike, listed: Sequence[object], time: ArrayLike) -> tuple[IntArray, list[str]]:
    """Give each row's cause as a place in the names, -1 for censored, and the names in order."""
    column = pd.Series(cause).to_numpy()
    if column.dtype.kind in "fb" and np.equal(column, np.floor(column)).all():
        column = column.astype(np.int64)  # 1.0 and True are cause 1
    codes, labels = coded("cause", column, np.size(np.asarray(time)))
    names = sorted({*labels, *map(str, listed)} - {CENSORED}, key=_in_order)
    place = {name: position for position, name in enumerate(names)} | {CENSORED: -1}
    of_label = np.array([place[label] for label in labels], dtype=np.int64)
    return of_label[codes], names


def _in_order(name: str) -> tuple[float, str]:
    """Numbers by size, before names by letters."""
    return (float(name), "") if name.isdecimal() else (np.inf, name)


def _incidence(cause: Cause, of: clustered.Patients | None, scale: IntervalScale) -> CauseIncidence:
    ended, incidence = cause.ended_at(), cause.incidence()
    error = np.full(incidence.size, np.nan)
    if of is None or of.enough():
        error = std_error(cause, of or repairs_apart(cause.rows))
    # Undefined at 0 and 1 by the scale; an exponential may rightly overflow to a limit.
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        lower, upper = SCALES[scale](incidence, error)
    return CauseIncidence(
        events=int(ended.sum()),
        events_at=tuple(ended.tolist()),
        incidence=tuple(incidence.tolist()),
        std_error=_defined(error),
        lower=_defined(lower),
        upper=_defined(upper),
    )


def _defined(values: FloatArray) -> tuple[float | None, ...]:
    return tuple(None if np.isnan(value) else value for value in values.tolist())
