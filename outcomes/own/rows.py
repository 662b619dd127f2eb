"""The repairs of some units, one row each with its lead surgeon: one query that every figure here reads."""

from dataclasses import dataclass
from datetime import date
from typing import Any, Self

import pandas as pd
from django.db.models import F, QuerySet, Value

from outcomes.analyses.context import Context
from outcomes.cohort import Cohort
from outcomes.estimators.cautions import REPAIRS_FOR_A_POSITION
from outcomes.failure import FailureDefinition
from outcomes.strata import ACUITY, AGE, INDICATIONS, LIGAMENT_SURGERY, MENISCUS, ZONE, Stratum
from outcomes.survival import Counted, count_repairs
from outcomes.timeline import FAILED
from registry.database import Days
from registry.models import Unit

# In the order in which they are held to matter; the last is given up first where failures are few.
CASE_MIX = (ZONE, ACUITY, LIGAMENT_SURGERY, MENISCUS, AGE)
DAY = pd.Timedelta(days=1)


def _number(code: str, expression: Any) -> Stratum:
    return Stratum(code, code, expression, levels={}, said="")


_FIRST_DAY = date(1970, 1, 1)
REPAIR = _number("repair", F("pk"))
SURGEON = _number("surgeon", F("tear__procedure__lead_surgeon"))
OPERATED = _number("operated", Days(F("tear__procedure__operated_on"), Value(_FIRST_DAY)))
COLUMNS = (*CASE_MIX, INDICATIONS, REPAIR, SURGEON, OPERATED)


@dataclass(frozen=True, slots=True)
class Rows:
    """Repairs, one row each, and what they were counted by.

    `table` is a count table (outcomes.counts) with the columns of COLUMNS beside; `operated` is a date,
    `failed` says whether the repair failed. `left_out` came from old notes with their end already known.
    """

    table: pd.DataFrame
    cohort_sentence: str
    definition: FailureDefinition
    closed_on: date
    left_out: int

    def of(self, chosen: "pd.Series[bool]") -> Self:
        """Some of these rows; who was left out belongs to all of them together."""
        table = self.table[chosen].reset_index(drop=True)
        return type(self)(table, self.cohort_sentence, self.definition, self.closed_on, 0)

    def of_surgeon(self, surgeon: int) -> Self:
        return self.of(self.table["surgeon"] == surgeon)

    def of_others(self, surgeon: int) -> Self:
        return self.of(self.table["surgeon"] != surgeon)

    @property
    def n(self) -> int:
        return len(self.table)

    @property
    def events(self) -> int:
        return int(self.table["failed"].sum())

    @property
    def is_shown(self) -> bool:
        """Whether there are repairs enough for anything but counts."""
        return self.n >= REPAIRS_FOR_A_POSITION

    def context(self) -> Context:
        """What is printed beside a figure of these repairs."""
        late = int((self.table["entry"] > 0).sum())
        several = int(self.table["patient"].nunique())
        counted = Counted(self.table, late, self.left_out, several)
        return Context.of(self.cohort_sentence, self.definition, self.closed_on, counted)


def repair_rows(
    units: QuerySet[Unit], definition: FailureDefinition, closed_on: date, cohort: Cohort | None = None
) -> Rows:
    """The rows of a cohort, all primary repairs unless told otherwise; a repair counts for its lead surgeon.

    Parameters
    ----------
    units : the units in which the repairs were done
    closed_on : day to which a repair that neither failed nor met a competing event could have been followed
    """
    which = cohort or Cohort()
    counted = count_repairs(which.repairs(units), definition, COLUMNS, closed_on)
    table = counted.table
    more: dict[str, Any] = {
        "operated": pd.to_datetime(table["operated"], unit="D"),
        "failed": table["outcome"] == FAILED,
    }
    return Rows(table.assign(**more), which.sentence(units), definition, closed_on, counted.left_out)
