"""Cohort x definition x strata -> (strata, entry, patient, day, outcome, n), counted inside the database."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import prod
from typing import Any

import numpy as np
import pandas as pd
from django.db.models import BigIntegerField, Case, Count, F, IntegerField, Q, QuerySet, Sum, Value, When
from django.db.models.functions import Coalesce
from django.db.models.lookups import GreaterThanOrEqual, LessThan
from django.db.models.sql.constants import LOUTER
from django_cte import CTE, with_cte
from numpy.typing import NDArray

from outcomes.estimators.survival import LANDMARK_DAYS
from outcomes.failure import FailureDefinition
from outcomes.strata import Stratum
from outcomes.timeline import CENSORED, COMPETING, DATES, FAILED, dated, entered_late, with_outcome
from registry.database import Days, in_pieces
from registry.models import Repair

# A repair is lost when it was last known well before this day, though operated on as long ago.
LOST_BEFORE_DAYS = LANDMARK_DAYS[2]

_PATIENT = "tear__procedure__knee__patient"
# Annotations must not have the name of a column of the repair, nor of the time line.
_COUNTED = "counted_"
OUTCOMES = (FAILED, CENSORED, *COMPETING)
_NOBODY = 0


@dataclass(frozen=True, slots=True)
class _Column:
    """A column as the database gives it: a whole number, or the place of a code among `codes`."""

    expression: Any
    codes: Sequence[str] = ()


def count_table(
    repairs: QuerySet[Repair], definition: FailureDefinition, strata: Sequence[Stratum], closed_on: date
) -> pd.DataFrame:
    """Count repairs by strata, entry, patient, day and outcome, in one GROUP BY.

    Parameters
    ----------
    repairs : the cohort
    strata : columns of the table, each under its code; one without levels gives whole numbers as they are
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
    columns = _columns(strata, closed_on)
    rows, *ctes = _ended(repairs, definition, strata)
    named = {f"{_COUNTED}{name}": column.expression for name, column in columns.items()}
    grouped = (
        rows.filter(started_on__lte=closed_on)
        .annotate(**named, potential=_potential_days(closed_on))
        .values_list(*named)
        .annotate(n=Count("*"), potential_days=Sum("potential"))
    )
    numbers = _fetched(with_cte(*ctes, select=grouped), len(columns), len(columns) + 2)
    return _table(numbers, columns)


def _ended(
    repairs: QuerySet[Repair], definition: FailureDefinition, strata: Sequence[Stratum]
) -> tuple[QuerySet[Any, Any], ...]:
    """A row a repair with its strata and its end, and the steps that it is read from."""
    of_repair = {
        **{f"of_{stratum.code}": stratum.expression for stratum in strata},
        "of_entry": _entry(),
        "of_patient": F(_PATIENT),
    }
    known = CTE(
        dated(repairs, definition).annotate(**of_repair).values(*of_repair, *DATES),
        name="dated",
        materialized=True,
    )
    # Only repairs of one patient go together, so only patients with several are told apart.
    patients = known.queryset().values("of_patient").annotate(times=Count("*")).filter(times__gt=1)
    several = CTE(patients.values("of_patient"), name="several", materialized=True)
    joined = several.join(known.queryset(), of_patient=several.col.of_patient, _join_type=LOUTER)
    ended = CTE(
        with_outcome(joined.annotate(together=several.col.of_patient)).values(
            *of_repair, "together", "started_on", "ended_on", "outcome", "duration_days"
        ),
        name="ended",
        materialized=True,
    )
    return ended.queryset(), known, several, ended


def _columns(strata: Sequence[Stratum], closed_on: date) -> dict[str, _Column]:
    day = _by(closed_on, F("duration_days"), _to(closed_on))
    outcome = _by(closed_on, _place("outcome", OUTCOMES), Value(OUTCOMES.index(CENSORED)))
    return {
        **{each.code: _level(each) for each in strata},
        "entry": _Column(F("of_entry")),
        "patient": _Column(Coalesce("together", _NOBODY, output_field=BigIntegerField())),
        "day": _Column(day),
        "outcome": _Column(outcome, OUTCOMES),
        "lost": _Column(_lost(closed_on)),
    }


def _level(stratum: Stratum) -> _Column:
    name, codes = f"of_{stratum.code}", tuple(stratum.levels)
    return _Column(_place(name, codes), codes) if codes else _Column(F(name))


def _place(name: str, codes: Sequence[str]) -> Case:
    """Where a code stands among `codes`: numbers are grouped and fetched several times as fast as words."""
    whens = [When(**{name: code}, then=Value(place)) for place, code in enumerate(codes)]
    # Beyond the last one, so that a code nobody knows is an error and not another's repair.
    return Case(*whens, default=Value(len(codes)), output_field=IntegerField())


def _fetched(grouped: QuerySet[Any, Any], grouped_by: int, columns: int) -> NDArray[np.int64]:
    """All rows as whole numbers; a million tuples would take ten times the memory.

    In one order on every engine, so that sums of what follows from them are the same to the last digit.
    """
    empty = np.empty((0, columns), np.int64)
    rows = np.concatenate([empty, *(np.array(piece, np.int64) for piece in in_pieces(grouped))])
    return rows[_in_order(rows[:, :grouped_by])]


def _in_order(keys: NDArray[np.int64]) -> NDArray[np.intp]:
    """Which row comes first, which next: sorted by one number where all columns fit into one."""
    spans = [int(most) + 1 for most in keys.max(axis=0, initial=0)]
    if keys.min(initial=0) < 0 or prod(spans) > np.iinfo(np.int64).max:
        return np.lexsort(keys.T[::-1])
    return np.argsort(np.ravel_multi_index(tuple(keys.T), spans))


def _table(numbers: NDArray[np.int64], columns: Mapping[str, _Column]) -> pd.DataFrame:
    named = dict(zip((*columns, "n", "potential_days"), numbers.T, strict=True))
    for name, column in columns.items():
        if column.codes:
            named[name] = np.array(column.codes, object)[named[name]]
    patients = named["patient"]
    return pd.DataFrame(
        named
        | {
            "patient": np.where(patients == _NOBODY, None, patients.astype(object)),
            "lost": named["lost"].astype(bool),
        }
    )


def _entry() -> Any:
    gap: Any = Days(F("recorded_at"), F("tear__procedure__operated_on"))
    return Case(When(entered_late(), then=gap), default=Value(0))


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
    return Case(When(lost, then=Value(1)), default=Value(0))


def _potential_days(closed_on: date) -> Any:
    """Days a repair could have been observed: to its event, else to the closing day."""
    return Case(When(_still_standing(closed_on), then=_to(closed_on)), default=F("duration_days"))
