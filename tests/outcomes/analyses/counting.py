"""A counted cohort with its context: of what is on record, or of rows written down in a test."""

from collections.abc import Sequence
from datetime import date
from typing import Any

import pandas as pd

from outcomes.analyses.context import Context
from outcomes.failure import REOPERATION
from outcomes.strata import ZONE, Stratum
from outcomes.survival import Counted, count_repairs
from registry.models import Repair

CLOSED_ON = date(2026, 9, 1)
COHORT = "Primary repairs at Northmere Hospital."

Made = tuple[Counted, Context]


def of_the_record(strata: Sequence[Stratum] = (ZONE,), closed_on: date = CLOSED_ON) -> Made:
    """Every repair on record under reoperation."""
    return _with_context(count_repairs(Repair.objects.all(), REOPERATION, strata, closed_on), closed_on)


def of_rows(*rows: tuple[int, str], **columns: Sequence[Any]) -> Made:
    """Rows of day and outcome; `columns` give others than zone RR, one repair each and nobody lost."""
    table = pd.DataFrame(list(rows), columns=["day", "outcome"])
    plain = {"zone": "RR", "entry": 0, "patient": None, "lost": False, "n": 1}
    table = table.assign(**{**plain, **columns})
    table["patient"] = table["patient"].astype(object)
    table["potential_days"] = table["day"] * table["n"]
    late = int(table.loc[table["entry"] > 0, "n"].sum())
    counted = Counted(table, late, left_out=0, repeated_patients=int(table["patient"].nunique()))
    return _with_context(counted, CLOSED_ON)


def _with_context(counted: Counted, closed_on: date) -> Made:
    return counted, Context.of(COHORT, REOPERATION, closed_on, counted)
