"""Standard error of a cumulative incidence by the infinitesimal jackknife, by repair or by patient.

Own code, since no library has it by patient, nor for weighted rows; `clustered` does the same for
Kaplan-Meier.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.estimators.clustered import Patients
from outcomes.estimators.observations import BoolArray, FloatArray, IntArray, Observations, RiskTable

# Of a patient's sums p, q and m, those the variance is made of.
PRODUCTS = (("p", "p"), ("p", "q"), ("q", "q"), ("p", "m"), ("q", "m"), ("m", "m"))
# A variance this small a part of the terms it is left of is rounding.
ROUNDING = 1e-13


@dataclass(frozen=True, slots=True)
class Cause:
    """All rows, their risk table, and which of them one cause ended, shape (rows,)."""

    rows: Observations
    table: RiskTable
    ended_by: BoolArray

    def ended_at(self) -> IntArray:
        return self.table.moments.leaving(self.rows.weights * self.ended_by)[:, 0]

    def standing_before(self) -> FloatArray:
        """Give the share that no cause has ended before each time."""
        return np.append(1.0, self.table.survival()[:-1])

    def incidence(self) -> FloatArray:
        rise = self.standing_before() * self.ended_at() / self.table.at_risk
        return np.cumsum(rise, dtype=np.float64)


def repairs_apart(rows: Observations) -> Patients:
    """Take each repair as the only one of its patient."""
    ones = np.ones_like(rows.weights)
    return Patients(np.arange(ones.size), ones, rows.weights)


def std_error(cause: Cause, of: Patients) -> FloatArray:
    """Give the standard error of the cumulative incidence I at each time, shape (times,), in one sweep.

    Notes
    -----
    The influence of a repair on I(t), its derivative by the weight of the repair, is P - I(t) Q, sums over
    the times up to t at which it is at risk, n at risk, d ended, d_k by the cause, S the share standing
    before:

        P = sum of S / n ([it ended it] - d_k / n) + I ([any ended it] - d / n) / (n - d)
        Q = sum of ([any ended it] - d / n) / (n - d)

    The variance is the sum over patients of (the sum of their repairs' influences) squared [Therneau &
    Grambsch 2000]. With P' and Q' of a repair at risk from the start, a patient with m at risk has P = p + P'
    m and Q = q + Q' m, p and q from the repairs gone, or not yet come when P' began. So the sums over
    patients of p p, p q, ... change only as repairs come and go.
    """
    incidence, running = cause.incidence(), _running(cause)
    turns = _turns(cause, of, running)
    pp, pq, qq, pm, qm, mm = (
        np.bincount(turns["at"], turns[one + other], incidence.size).cumsum() for one, other in PRODUCTS
    )
    along = running.p - incidence * running.q
    terms = np.array(
        [
            pp,
            -2 * incidence * pq,
            incidence**2 * qq,
            2 * along * pm,
            -2 * along * incidence * qm,
            along**2 * mm,
        ]
    )
    variance = terms.sum(axis=0)
    return np.sqrt(np.where(variance > ROUNDING * np.abs(terms).sum(axis=0), variance, 0.0))


@dataclass(frozen=True, slots=True)
class _Running:
    """P and Q at each time of a repair at risk from the start, shape (times,)."""

    p: FloatArray
    q: FloatArray


def _running(cause: Cause) -> _Running:
    table, per_one = cause.table, cause.standing_before() / cause.table.at_risk
    hazard = table.greenwood_terms()
    p = per_one * cause.ended_at() / table.at_risk + cause.incidence() * hazard
    return _Running(-np.cumsum(p), -np.cumsum(hazard))


def _turns(cause: Cause, of: Patients, running: _Running) -> pd.DataFrame:
    """List repairs coming and going, and by how much each changes the sums of its patient."""
    rows, table = cause.rows, cause.table
    first, last = table.moments.first, table.moments.past - 1
    per_one, left = cause.standing_before() / table.at_risk, table.per_one_left()
    gone_p = running.p[last] + cause.ended_by * per_one[last] + rows.failed * (cause.incidence() * left)[last]
    gone_q = running.q[last] + rows.failed * left[last]
    turns = pd.DataFrame(
        {
            "patient": np.tile(of.code, 2),
            "at": np.concatenate([first, last]),
            "p": np.concatenate([-np.append(0, running.p)[first], gone_p]) * np.tile(of.repairs, 2),
            "q": np.concatenate([-np.append(0, running.q)[first], gone_q]) * np.tile(of.repairs, 2),
            "m": np.concatenate([of.repairs, -of.repairs]),
            "copies": np.tile(of.copies, 2),
        }
    ).sort_values(["patient", "at"], kind="stable")
    after = turns.groupby("patient")[["p", "q", "m"]].cumsum()
    before = after - turns[["p", "q", "m"]]
    for one, other in PRODUCTS:
        turns[one + other] = turns["copies"] * (after[one] * after[other] - before[one] * before[other])
    return turns
