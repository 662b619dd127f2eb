"""How long and how completely repairs were followed: reverse Kaplan-Meier median, Clark's completeness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import inf, isfinite
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.estimators import checks
from outcomes.estimators.cautions import Caution, incomplete_follow_up
from outcomes.estimators.observations import BoolArray, FloatArray, observations
from outcomes.estimators.survival import Interval, IntervalScale, kaplan_meier

FORMULA = (
    "S(t) of Kaplan-Meier with the end of follow-up as event and failure as censoring; the median is "
    "where it crosses 1/2."
)
SENTENCE = (
    "Median follow-up by the reverse Kaplan-Meier method (the end of follow-up is the event, a failure "
    "censors it), with a 95 % {scale} interval."
)
METHOD = SENTENCE.format(scale="log-log")
REFERENCE = "Schemper M, Smith TL. Control Clin Trials 1996;17:343-6."

COMPLETENESS_FORMULA = (
    "C = sum of days observed / sum of days possible; possible: as observed for a failure, else to the "
    "close or the horizon, whichever is earlier."
)
COMPLETENESS_METHOD = (
    "Completeness of follow-up C: person-time observed over the person-time possible had nobody been lost; "
    "a failure counts as fully observed."
)
COMPLETENESS_REFERENCE = "Clark TG, Altman DG, De Stavola BL. Lancet 2002;359:1309-10."


@dataclass(frozen=True, slots=True)
class MedianFollowUp(Interval):
    """The median follow-up, in the unit of time; `events` of `n` repairs ended follow-up without failure."""

    n: int
    events: int
    method: str
    reference: str = REFERENCE
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True, slots=True)
class Completeness:
    """Days observed and days possible, summed, and their ratio; None when no follow-up was possible yet.

    `events` counts the failures within reach, `lost` the repairs without failure not followed to the end of
    it.
    """

    observed_days: float
    potential_days: float
    completeness: float | None
    n: int
    events: int
    lost: int
    method: str = COMPLETENESS_METHOD
    reference: str = COMPLETENESS_REFERENCE
    cautions: tuple[Caution, ...] = ()


def reverse_kaplan_meier(
    time: ArrayLike,
    failed: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    interval: IntervalScale = "log-log",
) -> MedianFollowUp:
    """Estimate the median follow-up, with its interval.

    Parameters
    ----------
    time, failed, weights : array_like, shape (rows,)
        As in `observations`.
    interval : {"log-log", "log", "plain"}
        As in `survival.kaplan_meier`.

    Returns
    -------
    MedianFollowUp
        None where not reached, so always when nobody was censored.

    Raises
    ------
    ValueError
        If a column breaks its rule, no row is left or the scale is not known.

    Notes
    -----
    As R's survfit(Surv(time, 1 - failed)): a repair that fails on the day another is censored is at risk that
    day. Programs that take the failures out first can give a median one step earlier.
    """
    rows = observations(time, failed, weights)
    curve = kaplan_meier(rows.time, ~rows.failed, rows.weights, at=(), interval=interval)
    median = curve.median
    return MedianFollowUp(
        median.estimate,
        median.lower,
        median.upper,
        n=curve.n,
        events=curve.events,
        method=SENTENCE.format(scale=interval),
    )


def completeness(observed_days: float, potential_days: float) -> float | None:
    """Give Clark's completeness of follow-up, C = observed / potential.

    Parameters
    ----------
    observed_days : float
        Days from repair to failure or to last known well, summed over repairs.
    potential_days : float
        The same sum had every repair without failure been followed to the day of analysis.

    Returns
    -------
    float or None
        Between 0 and 1; None when no follow-up was possible yet.

    Raises
    ------
    ValueError
        If a sum is negative or not finite, or more was observed than was possible.
    """
    for name, days in (("observed_days", observed_days), ("potential_days", potential_days)):
        if not (isfinite(days) and days >= 0):
            raise ValueError(f"{name} is {days}: it must be finite and 0 or more; check the dates it sums")
    if observed_days > potential_days:
        raise ValueError(
            f"observed_days is {observed_days}: it must be no more than potential_days, {potential_days}; "
            "look for contacts dated after the day of analysis"
        )
    return observed_days / potential_days if potential_days else None


def clark_completeness(
    start: Sequence[Any],
    last: Sequence[Any],
    failed_on: Sequence[Any],
    close: date | str | float,
    horizon: float | None = None,
    weights: Sequence[int] | None = None,
) -> Completeness:
    """Give Clark's completeness of follow-up from the days of each repair.

    Parameters
    ----------
    start, last, failed_on : sequence, shape (rows,)
        Day of repair, day last known, day of failure (None or NaN where none): all dates, ISO dates as
        text, or day numbers. `last` may be missing where the repair failed by `close`.
    close : date, ISO date or day number
        Day of analysis. What happened or was heard later does not count.
    horizon : float, optional
        The most days counted of one repair; without end when not given.
    weights : sequence of int, shape (rows,), optional
        How many repairs each row stands for; 1 each when not given.

    Raises
    ------
    ValueError
        If a day cannot be read, is missing or comes before the repair, or a repair after the close.

    Notes
    -----
    A repair is observed to its failure or to the day last known, and could have been to its failure or to the
    close: a failure counts as fully observed. Both are cut at the horizon and summed [Clark et al. 2002].
    """
    counts = np.array(checks.counts("weights", [1] * len(start) if weights is None else weights), np.int64)
    checks.same_length(start=start, last=last, failed_on=failed_on, weights=counts)
    begun, known, failure, (closed,) = _day_numbers(
        start=start, last=last, failed_on=failed_on, close=[close]
    )
    failed = failure <= closed
    end = np.where(failed, failure, np.minimum(known, closed))
    _check_order(begun, end, closed, failed)
    reach = inf if horizon is None else checks.above_zero("horizon", horizon)
    observed = np.minimum(end - begun, reach)
    potential = np.minimum(np.where(failed, end, closed) - begun, reach)
    observed_days, potential_days = float(counts @ observed), float(counts @ potential)
    share = completeness(observed_days, potential_days)
    caution = incomplete_follow_up(share)
    return Completeness(
        observed_days,
        potential_days,
        share,
        n=int(counts.sum()),
        events=int(counts @ (failed & (end - begun <= reach))),
        lost=int(counts @ (observed < potential)),
        cautions=(caution,) if caution else (),
    )


def _check_order(begun: FloatArray, end: FloatArray, closed: float, failed: BoolArray) -> None:
    """Raise ValueError at the first row whose days are missing or out of order."""
    last = np.where(failed, "failed_on", "last")
    rules = (
        (np.isnan(begun), "start[{row}] is missing: every repair has its day; add it or leave the row out"),
        (begun > closed, "start[{row}] is after close: leave out repairs done after the day of analysis"),
        (
            np.isnan(end),
            "last[{row}] is missing: without failure it must be known; find it or leave the row out",
        ),
        (end < begun, "{last}[{row}] is before start[{row}]: it must not be; correct one of them"),
    )
    for broken, words in rules:
        for row in np.flatnonzero(broken)[:1]:
            raise ValueError(words.format(row=row, last=last[row]))


def _day_numbers(**columns: Sequence[Any]) -> list[FloatArray]:
    """Give each column as day numbers, NaN where missing; dates count from 1970."""
    given = {name: pd.Series(list(values), dtype=object) for name, values in columns.items()}
    dates = [name for name, values in given.items() if _holds_dates(values)]
    others = [name for name, values in given.items() if name not in dates and values.notna().any()]
    if dates and others:
        raise ValueError(
            f"{dates[0]} holds dates and {others[0]} numbers: they must be alike; "
            "give all as dates or all as day numbers"
        )
    return [_days(name, values) if dates else _numbers(values) for name, values in given.items()]


def _holds_dates(values: pd.Series[Any]) -> bool:
    try:
        _numbers(values)
    except (TypeError, ValueError):
        return True
    return False


def _numbers(values: pd.Series[Any]) -> FloatArray:
    return pd.to_numeric(values).to_numpy(dtype=np.float64)


def _days(name: str, values: pd.Series[Any]) -> FloatArray:
    dates = pd.to_datetime(values, format="ISO8601", errors="coerce")
    for row in np.flatnonzero(dates.isna() & values.notna())[:1]:
        raise ValueError(f"{name}[{row}] is {values[row]}: it must be a date, such as 2024-03-31; correct it")
    return np.asarray((dates - pd.Timestamp(0)) / pd.Timedelta(days=1), dtype=np.float64)
