"""Variance with the patient as cluster, by the infinitesimal jackknife: repairs of one patient go together.

Own code, since no library has it. The influence of repair j on log S(t), its derivative by the weight of j,
is minus the sum, over the moments s <= t at which j is at risk, of ([j fails at s] - d / Y) / (Y - d),
where Y are at risk and d fail. The variance is the sum over patients of (sum of their repairs' influences)
squared.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.estimators.observations import (
    MISSING,
    BoolArray,
    FloatArray,
    IntArray,
    Observations,
    RiskTable,
    numbered,
    observations,
)

# Both from memory.
REFERENCE = (
    "Ying Z, Wei LJ. J Multivar Anal 1994;50:17-29 (repairs of one patient). "
    "Therneau TM, Grambsch PM. Modeling Survival Data. Springer, 2000 (infinitesimal jackknife)."
)

FORMULA = (
    "Var log S(t) = sum over patients of (sum of their repairs' u(t)) ^ 2, u(t) = - sum over s <= t at "
    "which the repair is at risk of ([it fails at s] - d(s) / n(s)) / (n(s) - d(s))."
)
# One patient does not show how patients differ.
FEWEST_PATIENTS = 2
# Of a patient's sums c and m, those the variance is made of: c^2, c m and m^2.
PRODUCTS = 3


@dataclass(frozen=True, slots=True)
class Patients:
    """Whose repairs the rows are, arrays of shape (rows,).

    A row stands for `repairs` of one patient or, where patients were not told apart, for one repair in each
    of `copies` patients; `code` numbers them.
    """

    code: IntArray
    repairs: IntArray
    copies: IntArray

    def where(self, chosen: BoolArray) -> Patients:
        return Patients(self.code[chosen], self.repairs[chosen], self.copies[chosen])

    def count(self) -> int:
        return int(np.count_nonzero(np.bincount(self.code)) + (self.copies - 1).sum())

    def enough(self) -> bool:
        return self.count() >= FEWEST_PATIENTS


def sample(
    time: ArrayLike,
    failed: ArrayLike,
    weights: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
) -> tuple[Observations, Patients | None]:
    """Check rows and, where given, whose repairs they are; leave out the rows of weight 0.

    Parameters
    ----------
    time, failed, weights, entry : array_like, shape (rows,)
        As in `observations`.
    cluster : array_like, shape (rows,), optional
        A label for each patient. None or NaN: the row stands for as many patients, of one repair each, as its
        weight. A labelled row of weight w stands for w repairs of that patient, alike.

    Raises
    ------
    ValueError
        If a column breaks its rule or no row is left.
    """
    rows = observations(time, failed, weights, entry)
    of = None if cluster is None else patients(cluster, rows)
    counted = rows.weights > 0
    if not counted.any():
        raise ValueError("time has no row that counts: give at least one row with a weight of 1 or more")
    return rows.where(counted), of and of.where(counted)


def patients(cluster: ArrayLike, rows: Observations) -> Patients:
    """Tell whose repairs the rows are, as `sample` takes them."""
    number, names = numbered("cluster", cluster, rows.time.size, may_be_missing=True)
    alone = number == MISSING
    code = np.where(alone, len(names) + np.cumsum(alone) - 1, number)
    return Patients(code, np.where(alone, 1, rows.weights), np.where(alone, rows.weights, 1))


def variance_of_log(rows: Observations, table: RiskTable, of: Patients) -> FloatArray:
    """Give the variance of log S at each time.

    Shape (times,), in one sweep of O(rows log rows).

    NaN for a single patient. Once all fail at once, S is 0 and has no logarithm: use nothing from there on.

    Notes
    -----
    With B the running sum of d / (n (n - d)), the influence of a patient at t is c - B(t) m up to its sign:
    m repairs are at risk, and c sums [failed] / (n - d) - B over the repairs gone, each when it left, and B
    over late entries, each before it came. So the sum of squares is sum c^2 - 2 B sum c m + B^2 sum m^2,
    where the three sums change only when a repair comes or goes.
    """
    if not of.enough():
        return np.full(table.at_risk.size, np.nan)
    running = table.greenwood_terms().cumsum()
    cc, cm, mm = _sums_of_products(rows, table, of, running).cumsum(axis=1)
    # Rounding can leave a zero a little below.
    variance: FloatArray = np.maximum(cc - 2 * running * cm + running**2 * mm, 0)
    return variance


def _sums_of_products(rows: Observations, table: RiskTable, of: Patients, running: FloatArray) -> FloatArray:
    """Give by how much c^2, c m and m^2, summed over patients, change at each time, shape (3, times)."""
    turns = _turns(rows, table, of, running)
    is_single = np.bincount(of.code)[of.code] == 1
    changes = (*_of_single_rows(turns.where(is_single)), *_of_several_rows(turns.where(~is_single)))
    sums = np.zeros((PRODUCTS, running.size))
    for at, products in changes:
        sums += [np.bincount(at, each, running.size) for each in products]
    return sums


@dataclass(frozen=True, slots=True)
class _Turns:
    """When the repairs of each row come and go, and the c of one of them then, arrays of shape (rows,)."""

    of: Patients
    first: IntArray
    last: IntArray
    came: FloatArray
    gone: FloatArray

    def where(self, chosen: BoolArray) -> _Turns:
        return _Turns(
            self.of.where(chosen),
            self.first[chosen],
            self.last[chosen],
            self.came[chosen],
            self.gone[chosen],
        )


def _turns(rows: Observations, table: RiskTable, of: Patients, running: FloatArray) -> _Turns:
    first, last = table.moments.first, table.moments.past - 1
    came = np.append(0, running)[first]
    gone = came + rows.failed * table.per_one_left()[last] - running[last]
    return _Turns(of, first, last, came, gone)


Change = tuple[IntArray, tuple[FloatArray, ...]]


def _of_single_rows(turns: _Turns) -> tuple[Change, Change]:
    """Of patients with one row: all their repairs come together and go together."""
    squares = (turns.of.copies * turns.of.repairs**2).astype(np.float64)
    came = turns.came**2 * squares, turns.came * squares, squares
    gone = turns.gone**2 * squares - came[0], -came[1], -came[2]
    return (turns.first, came), (turns.last, gone)


def _of_several_rows(turns: _Turns) -> tuple[Change]:
    """Of the others, walked through in the order in which a patient's repairs come and go."""
    repairs = turns.of.repairs
    at, code = np.concatenate([turns.first, turns.last]), np.tile(turns.of.code, 2)
    c = np.concatenate([turns.came, turns.gone - turns.came]) * np.tile(repairs, 2)
    order = np.argsort(code * (at.max(initial=0) + 1) + at, kind="stable")
    changed = pd.DataFrame({"c": c, "m": np.concatenate([repairs, -repairs])}).iloc[order]
    after = changed.groupby(code[order], sort=False).cumsum()
    c_after, m_after = after["c"].to_numpy(), after["m"].to_numpy()
    c_before, m_before = c_after - changed["c"].to_numpy(), m_after - changed["m"].to_numpy()
    products = (
        c_after**2 - c_before**2,
        c_after * m_after - c_before * m_before,
        (m_after**2 - m_before**2).astype(np.float64),
    )
    return ((at[order], products),)


def variance_of_weighted(rows: Observations, table: RiskTable, of: Patients, weight: FloatArray) -> float:
    """Give the variance of an estimate that the hazard at each time moves by `weight`, shape (times,).

    The restricted mean is one: its weight is the area under the curve from there on. NaN for a single
    patient.
    """
    if not of.enough():
        return float("nan")
    until = np.append(0, np.cumsum(weight * table.greenwood_terms()))
    first, past = table.moments.first, table.moments.past
    influence = rows.failed * (weight * table.per_one_left())[past - 1] - (until[past] - until[first])
    of_patient = np.bincount(of.code, influence * of.repairs)
    copies = np.ones_like(of_patient)
    copies[of.code] = of.copies
    return float(copies @ of_patient**2)
