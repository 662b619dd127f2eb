"""Cohort x definition x strata -> (strata, day, outcome, n), counted inside the database."""

from collections.abc import Sequence
from datetime import date
from typing import Any

import pandas as pd
from django.db.models import Case, Count, F, QuerySet, Sum, Value, When

from outcomes.failure import FailureDefinition
from outcomes.strata import Stratum
from outcomes.timeline import CENSORED, entered_late, timeline
from registry.database import Days
from registry.models import Repair


def count_table(
    repairs: QuerySet[Repair], definition: FailureDefinition, strata: Sequence[Stratum], closed_on: date
) -> pd.DataFrame:
    """Count repairs by strata, lateness of entry, day and outcome, in one GROUP BY.

    Parameters
    ----------
    repairs : the cohort
    strata : columns of the table, each under its code
    closed_on : day to which a repair that neither failed nor met a competing event could have been followed

    Returns
    -------
    One row a (strata..., late, day, outcome) that occurs: `late` whether entered later from old notes,
    `day` from operation to `outcome`, `n` repairs, `potential_days` person-days they could have been
    observed. Tables of several sites add up row by row.
    """
    levels = {stratum.code: stratum.expression for stratum in strata}
    columns = [*levels, "late", "day", "outcome"]
    grouped = (
        timeline(repairs, definition)
        .annotate(
            **levels,
            late=Case(When(entered_late(), then=Value(True)), default=Value(False)),
            day=F("duration_days"),
            potential=_potential_days(closed_on),
        )
        .values(*columns)
        .annotate(n=Count("pk"), potential_days=Sum("potential"))
    )
    return pd.DataFrame(list(grouped), columns=[*columns, "n", "potential_days"])


def _potential_days(closed_on: date) -> Any:
    """Days a repair could have been observed: to its event, else to the closing day."""
    to_close: Any = Days(Value(closed_on), F("started_on"))
    return Case(When(outcome=CENSORED, then=to_close), default=F("duration_days"))
