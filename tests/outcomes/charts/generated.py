"""A small cohort as its counts, made up by a fixed rule, for figures that need no record."""

from datetime import date

import numpy as np
import pandas as pd

from outcomes.analyses.context import Context
from outcomes.failure import ANY
from outcomes.own.rows import Rows
from outcomes.strata import STRATA
from outcomes.survival import Counted
from outcomes.timeline import CENSORED, DIED, FAILED, REMOVED, REPLACED

CLOSED_ON = date(2026, 6, 30)
COHORT = "Primary repairs at Northmere Hospital."
OUTCOMES = (FAILED, CENSORED, DIED, REPLACED, REMOVED)
LOST_BEFORE_DAYS = 730


def counted(n: int = 300, patients: int = 12) -> Counted:
    """So many repairs over five years: some failed, some lost, a few patients with two of them."""
    made = np.random.default_rng(20240301)
    table = pd.DataFrame({code: made.choice(list(each.levels), n) for code, each in STRATA.items()})
    table["entry"] = 0
    table["patient"] = pd.Series([None] * n, dtype=object)
    table.loc[: 2 * patients - 1, "patient"] = np.arange(2 * patients) // 2 + 1
    table["day"] = made.integers(30, 1900, n)
    table["outcome"] = made.choice(OUTCOMES, n, p=[0.25, 0.66, 0.04, 0.03, 0.02])
    possible = table["day"] + made.integers(0, 500, n)
    table["lost"] = (table["outcome"] == CENSORED) & (table["day"] < LOST_BEFORE_DAYS) & (possible >= 730)
    table["n"] = 1
    table["potential_days"] = np.where(table["outcome"] == CENSORED, possible, table["day"])
    return Counted(table=table, entered_late=0, left_out=0, repeated_patients=patients)


def context(of: Counted) -> Context:
    """What is said of it, under the definition that brings cautions of its own."""
    return Context.of(COHORT, ANY, CLOSED_ON, of)


def rows(n: int = 150) -> Rows:
    """The same with three lead surgeons, 1 to 3, who operated in turn every fourth day of two years."""
    table = counted(n).table
    days = pd.to_timedelta(4 * np.arange(n), unit="D")
    table = table.assign(
        repair=np.arange(n),
        surgeon=np.arange(n) % 3 + 1,
        operated=pd.Timestamp(2021, 1, 1) + days,
        failed=table["outcome"] == FAILED,
    )
    return Rows(table, COHORT, ANY, CLOSED_ON, 0)
