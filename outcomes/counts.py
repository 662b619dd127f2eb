"""Cohort x definition x strata -> (strata, entry, patient, day, outcome, n), counted inside the database."""

from collections.abc import Sequence
from datetime import date
from typing import Any

import pandas as pd
from django.db.models import BooleanField, Case, Count, F, Q, QuerySet, Sum, Value, When
from django.db.models.lookups import GreaterThanOrEqual, LessThan

from outcomes.estimators.survival import LANDMARK_DAYS
from outcomes.failure import FailureDefinition
from outcomes.strata import Stratum
from outcomes.timeline import CENSORED, entered_late, timeline
from registry.database import Days
from registry.models import Repair

# A repair is lost when it was last known well before this day, though operated on as long ago.
LOST_BEFORE_DAYS = LANDMARK_DAYS[2]

_PATIENT = "tear__procedure__knee__patient"
# Annotations must not have the name of a column of the repair, nor of the time line.
_COUNTED = "counted_"


def count_table(
    repairs: QuerySet[Repair], definition: FailureDefinition, strata: Sequence[Stratum], closed_on: date
) -> pd.DataFrame:
    """Count repairs by strata, entry, patient, day and outcome, in one GROUP BY.

    Parameters
    ----------
    repairs : the cohort
    strata : columns of the table, each under its code
    closed_on : day to which repairs are followed; what happened after it is not counted, nor who was operated
        on after it

    Returns
    -------
    One row a (strata..., entry, patient, day, outcome, lost) that occurs: `entry` the day from operation on
    which a repair was entered later from old notes, 0 for the others; `patient` the key of a patient with
    more than one repair in the cohort, None for all others together; `day` from operation to `outcome`;
    `lost` whether it was lost before LOST_BEFORE_DAYS; `n` repairs, `potential_days` person-days from
    operation on which they could have been observed. Tables of several sites add up row by row.
    """
    columns = {
        **{stratum.code: stratum.expression for stratum in strata},
        "entry": _entry(),
        "patient": _repeated_patient(repairs),
        "day": _by(closed_on, F("duration_days"), _to(closed_on)),
        "outcome": _by(closed_on, F("outcome"), Value(CENSORED)),
        "lost": _lost(closed_on),
    }
    named = {f"{_COUNTED}{name}": expression for name, expression in columns.items()}
    grouped = (
        timeline(repairs, definition)
        .filter(started_on__lte=closed_on)
        .annotate(**named, potential=_potential_days(closed_on))
        .values_list(*named)
        .annotate(n=Count("pk"), potential_days=Sum("potential"))
    )
    table = pd.DataFrame(list(grouped), columns=[*columns, "n", "potential_days"])
    return table.astype({"patient": object, "lost": bool})


def _entry() -> Any:
    gap: Any = Days(F("recorded_at"), F("tear__procedure__operated_on"))
    return Case(When(entered_late(), then=gap), default=Value(0))


def _repeated_patient(repairs: QuerySet[Repair]) -> Any:
    """The patient, where several repairs of the cohort are theirs: only those go together."""
    repeated = repairs.order_by().values(_PATIENT).annotate(times=Count("pk")).filter(times__gt=1)
    return Case(When(**{f"{_PATIENT}__in": repeated.values(_PATIENT)}, then=F(_PATIENT)), default=None)


def _to(closed_on: date) -> Any:
    return Days(Value(closed_on), F("started_on"))


def _by(closed_on: date, known: Any, afterwards: Any) -> Any:
    """What is known by the closing day; `afterwards` where the end came after it."""
    return Case(When(ended_on__gt=closed_on, then=afterwards), default=known)


def _still_standing(closed_on: date) -> Q:
    return Q(outcome=CENSORED) | Q(ended_on__gt=closed_on)


def _lost(closed_on: date) -> Any:
    lost = Q(
        LessThan(F("duration_days"), LOST_BEFORE_DAYS),
        GreaterThanOrEqual(_to(closed_on), LOST_BEFORE_DAYS),
        outcome=CENSORED,
    )
    return Case(When(lost, then=Value(True)), default=Value(False), output_field=BooleanField())


def _potential_days(closed_on: date) -> Any:
    """Days a repair could have been observed: to its event, else to the closing day."""
    return Case(When(_still_standing(closed_on), then=_to(closed_on)), default=F("duration_days"))
