"""Checked rows of right-censored data, and the numbers at risk at each of their times.

Every estimator of such data starts here. Own code, since no library counts weighted rows, late entries and
strata in one table; the tests hold what comes of it against R, lifelines and statsmodels.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
Number = TypeVar("Number", np.float64, np.int64)

FROM_THE_START = -np.inf
MISSING = -1
# Whole times up to this are counted by a table of so many places: 2,700 years of days.
MOST_COUNTED = 1_000_000
# Times closer than this, or than this share of their mean, are tied: the root of double precision, as in R.
TIE_TOLERANCE = float(np.sqrt(np.finfo(np.float64).eps))


@dataclass(frozen=True, slots=True)
class Observations:
    """Checked rows of right-censored data, arrays of shape (rows,); `weights` repairs stand behind a row.

    A row is at risk at each t with entry < t <= time. `entry` is minus infinity where it was followed from
    the start, so that day 0 counts.
    """

    time: FloatArray
    failed: BoolArray
    weights: IntArray
    entry: FloatArray

    def where(self, chosen: BoolArray) -> Observations:
        return Observations(self.time[chosen], self.failed[chosen], self.weights[chosen], self.entry[chosen])

    def person_time(self) -> float:
        return float((self.time - np.maximum(self.entry, 0)) @ self.weights.astype(np.float64))


def observations(
    time: ArrayLike, failed: ArrayLike, weights: ArrayLike | None = None, entry: ArrayLike | None = None
) -> Observations:
    """Check right-censored rows and give them as arrays, none dropped.

    Parameters
    ----------
    time : array_like, shape (rows,)
        Follow-up to failure or to last known well, in any one unit; finite, 0 or more.
    failed : array_like, shape (rows,)
        1 or True where follow-up ended in failure, 0 or False where it was censored.
    weights : array_like, shape (rows,), optional
        How many repairs each row stands for, a whole number, 0 or more; 1 each when not given.
    entry : array_like, shape (rows,), optional
        Delayed entry (left truncation), on the axis of `time` and before it: a row is at risk only after its
        entry. 0 means from the start; so it is for all when not given.

    Raises
    ------
    ValueError
        Naming the argument, the offending value and the rule.

    Notes
    -----
    As R's Surv(entry, time, status), with one exception: R makes a row with entry 0 and time 0 missing. Here
    entry 0 is no delay, so that row counts on day 0 as in Surv(time, status). As in R's survfit, survdiff and
    coxph (timefix), times that differ by no more than rounding are tied.
    """
    times = _column("time", time, "a time must be a finite number, 0 or more", _is_time)
    failures = _column("failed", failed, "it must be 1 (failed) or 0 (censored)", _is_flag)
    counts, entries = np.ones_like(times), np.zeros_like(times)
    if weights is not None:
        counts = _column("weights", weights, "a weight must be a whole number, 0 or more", _is_count)
    if entry is not None:
        entries = _column("entry", entry, "an entry must be a finite number, 0 or more", _is_time)
    for name, column in (("failed", failures), ("weights", counts), ("entry", entries)):
        check_length(name, column.size, times.size)
    times, entries = _tied(times, entries)
    return Observations(times, failures.astype(np.bool_), counts.astype(np.int64), _delays(entries, times))


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
    flags: BoolArray = (values == 0) | (values == 1)
    return flags


def _is_count(values: FloatArray) -> BoolArray:
    return _is_time(values) & np.equal(values, np.floor(values))


def _tied(times: FloatArray, entries: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give times and entries that differ by no more than rounding the value of the least of them."""
    distinct = _distinct(np.append(times, entries[entries > 0]))[0]
    if not distinct.size:
        return times, entries
    apart = np.diff(distinct, prepend=-np.inf) > TIE_TOLERANCE * max(1.0, distinct.mean())
    if apart.all():
        return times, entries
    least = distinct[apart]
    tied_times, tied_entries = (
        least[np.searchsorted(least, column, side="right") - 1] for column in (times, entries)
    )
    return tied_times, np.where(entries > 0, tied_entries, 0)


def _distinct(values: NDArray[Number]) -> tuple[NDArray[Number], IntArray]:
    """Give the distinct values in order and the place of each value among them, as numpy's unique does.

    Whole numbers, such as days or numbers of patients, are counted rather than sorted.
    """
    if not values.size or not _may_be_counted(values):
        distinct, place = np.unique(values, return_inverse=True)
        return distinct, place
    numbers = values.astype(np.int64)
    occurs = np.bincount(numbers) > 0
    return np.flatnonzero(occurs).astype(values.dtype), (occurs.cumsum() - 1)[numbers]


def _may_be_counted(values: NDArray[Number]) -> bool:
    return bool(values.min() >= 0 and values.max() <= MOST_COUNTED and np.all(values == np.floor(values)))


def _delays(entries: FloatArray, times: FloatArray) -> FloatArray:
    wrong = np.flatnonzero((entries > 0) & (entries >= times))
    if wrong.size:
        row = wrong[0]
        raise ValueError(
            f"entry[{row}] is {entries[row]}: it must be before time[{row}], {times[row]}, since nobody "
            "is at risk before entry; correct it or leave its row out"
        )
    return np.where(entries > 0, entries, FROM_THE_START)


def coded(name: str, labels: ArrayLike, rows: int) -> tuple[IntArray, list[str]]:
    """Number the labels in the order they come and give their text in that order.

    Raises
    ------
    ValueError
        If there are not as many as rows, or one is missing.
    """
    codes, distinct = numbered(name, labels, rows)
    return codes, [str(label) for label in distinct]


def numbered(
    name: str, labels: ArrayLike, rows: int, *, may_be_missing: bool = False
) -> tuple[IntArray, NDArray[np.generic]]:
    """Number the labels as `coded` does, MISSING for none where that may be, and give them as they are.

    Floats are numbered by size.
    """
    is_number = isinstance(labels, np.ndarray) and labels.dtype in (np.int64, np.float64)
    column = np.asarray(labels) if is_number else np.asarray(labels, dtype=object)
    check_length(name, column.size, rows)
    codes, distinct = _numbered_floats(column) if column.dtype == np.float64 else pd.factorize(column)
    missing = np.flatnonzero(codes == MISSING)
    if missing.size and not may_be_missing:
        row = missing[0]
        raise ValueError(f"{name}[{row}] is {column[row]}: every row needs one; name it or leave its row out")
    return codes, distinct


def _numbered_floats(column: FloatArray) -> tuple[IntArray, FloatArray]:
    present = ~np.isnan(column)
    codes = np.full(column.size, MISSING)
    distinct, codes[present] = _distinct(column[present])
    return codes, distinct


def numbered_groups(name: str, labels: ArrayLike, counted: BoolArray) -> tuple[list[str], IntArray]:
    """Name the groups that `counted` rows are in, in order, and number the group of each of those rows.

    Labels that read the same are one group.

    Raises
    ------
    ValueError
        If there are not as many labels as rows, or one is missing.
    """
    codes, texts = coded(name, labels, counted.size)
    present = np.flatnonzero(np.bincount(codes[counted], minlength=len(texts)))
    number = np.zeros(len(texts), np.int64)
    names, number[present] = np.unique(np.array(texts, dtype=np.str_)[present], return_inverse=True)
    return names.tolist(), number[codes[counted]]


@dataclass(frozen=True, slots=True)
class Moments:
    """The distinct moments of a sample, in order, and when each row is at risk.

    A moment is a time within a stratum: strata follow each other on one axis, and a row is at risk in its own
    only. `time` has shape (moments,); `first` and `past`, of shape (rows,), are the positions of the first
    moment at which a row is at risk and of the first after it left.
    """

    time: FloatArray
    first: IntArray
    past: IntArray

    def at_risk(self, weights: IntArray, member: IntArray | None = None, groups: int = 1) -> IntArray:
        """Count the repairs at risk at each moment in each group, shape (moments, groups)."""
        change = self._tally(self.first, weights, member, groups)
        change -= self._tally(self.past, weights, member, groups)
        return change.cumsum(axis=0)[:-1]

    def leaving(self, weights: IntArray, member: IntArray | None = None, groups: int = 1) -> IntArray:
        """Count the repairs whose last moment at risk is each one, shape (moments, groups)."""
        # A row that left before the first moment leaves at none: position -1 wraps round to the row cut off.
        return self._tally((self.past - 1) % (self.time.size + 1), weights, member, groups)[:-1]

    def _tally(self, position: IntArray, weights: IntArray, member: IntArray | None, groups: int) -> IntArray:
        cell = position if member is None else position * groups + member
        cells = self.time.size + 1, groups
        return np.bincount(cell, weights, cells[0] * groups).astype(np.int64).reshape(cells)


def moments(
    rows: Observations, stratum: IntArray | None = None, *, with_failure_only: bool = False
) -> Moments:
    """Find the distinct moments at which a row ends, or only those at which one fails.

    Parameters
    ----------
    stratum : int array, shape (rows,), optional
        The stratum of each row, counted from 0; one for all when not given.
    """
    times, end = _distinct(rows.time)
    start, late = np.zeros_like(end), np.isfinite(rows.entry)
    start[late] = np.searchsorted(times, rows.entry[late], side="right")
    if stratum is not None:
        start, end = stratum * times.size + start, stratum * times.size + end
    distinct = _distinct(end[rows.failed] if with_failure_only else end)[0]
    return Moments(
        times[distinct % times.size] if times.size else times,
        _count_below(distinct, start),
        _count_below(distinct, end + 1),
    )


def _count_below(distinct: IntArray, places: IntArray) -> IntArray:
    """Count the distinct values below each place; few places are looked up rather than searched for."""
    most = places.max(initial=0)
    if most > MOST_COUNTED:
        return np.searchsorted(distinct, places)
    below: IntArray = np.searchsorted(distinct, np.arange(most + 1))[places]
    return below


@dataclass(frozen=True, slots=True)
class RiskTable:
    """Repairs at risk, failing and censored at each distinct time of one group, arrays of shape (times,)."""

    moments: Moments
    at_risk: IntArray
    failures: IntArray
    censored: IntArray

    def survival(self) -> FloatArray:
        """Give the share still standing after each time, the product of (n - d) / n [Kaplan & Meier 1958]."""
        return np.cumprod((self.at_risk - self.failures) / self.at_risk, dtype=np.float64)

    def per_one_left(self) -> FloatArray:
        """Give 1 / (n - d), and 0 where all fail, since nothing is left to vary."""
        left = self.at_risk - self.failures
        per_one_left: FloatArray = np.divide(1, left, out=np.zeros(left.size), where=left > 0)
        return per_one_left

    def greenwood_terms(self) -> FloatArray:
        """Give d / (n (n - d)) [Greenwood 1926], and 0 where all fail."""
        return self.failures / self.at_risk * self.per_one_left()


def risk_table(rows: Observations) -> RiskTable:
    """Count one group over all its distinct times."""
    distinct = moments(rows)
    return RiskTable(
        distinct,
        distinct.at_risk(rows.weights)[:, 0],
        distinct.leaving(rows.weights * rows.failed)[:, 0],
        distinct.leaving(rows.weights * ~rows.failed)[:, 0],
    )
