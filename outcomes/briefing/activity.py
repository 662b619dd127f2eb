"""What was done: operations, repairs, and whom they were done for; counted by the database."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Count, F, Q, QuerySet
from django.db.models.functions import ExtractYear

from outcomes.briefing.asked import Brief
from outcomes.cohort import Cohort
from outcomes.estimators.rates import Proportion, proportion
from outcomes.strata import INDICATIONS, STRATA, Stratum
from outcomes.timeline import entered_late
from registry.models import Repair

_OPERATION = "tear__procedure"
MIX = tuple(stratum for stratum in STRATA.values() if stratum is not INDICATIONS)


@dataclass(frozen=True, slots=True)
class Activity:
    """Repairs of the period with the operations, knees and patients they belong to.

    `entered_late` of the repairs came later from old notes. `by_year` counts all repairs up to the end of the
    period by year of operation.
    """

    repairs: int
    primary: int
    revision: int
    entered_late: int
    operations: int
    knees: int
    patients: int
    by_year: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Level:
    """One level of a stratum and its share of the repairs."""

    code: str
    label: str
    share: Proportion


@dataclass(frozen=True, slots=True)
class Split:
    """The shares of one stratum's levels that occur."""

    stratum: Stratum
    levels: tuple[Level, ...]


def activity_of(brief: Brief) -> Activity:
    """Count what was done in the period; two queries."""
    period = Cohort(which="all", since=brief.operated.since, until=brief.operated.until)
    counts = brief.repairs(period).aggregate(
        repairs=Count("pk"),
        primary=Count("pk", filter=Q(tear__revises__isnull=True)),
        entered_late=Count("pk", filter=entered_late()),
        operations=Count(_OPERATION, distinct=True),
        knees=Count(f"{_OPERATION}__knee", distinct=True),
        patients=Count(f"{_OPERATION}__knee__patient", distinct=True),
    )
    ever = brief.repairs(Cohort(which="all", until=brief.followed.until)).order_by()
    years = ever.values(year=ExtractYear(f"{_OPERATION}__operated_on")).annotate(n=Count("pk"))
    return Activity(
        **counts,
        revision=counts["repairs"] - counts["primary"],
        by_year=tuple(sorted((row["year"], row["n"]) for row in years)),
    )


def splits(repairs: QuerySet[Repair], strata: Iterable[Stratum]) -> tuple[Split, ...]:
    """The shares of each stratum's levels; one GROUP BY a stratum."""
    return tuple(_split(repairs, stratum) for stratum in strata)


def _split(repairs: QuerySet[Repair], stratum: Stratum) -> Split:
    rows = repairs.order_by().annotate(level_of=stratum.expression).values_list("level_of")
    counts = dict(rows.annotate(n=Count("pk")).values_list(F("level_of"), F("n")))
    total = sum(counts.values())
    levels = (
        Level(code, label, proportion(counts[code], total))
        for code, label in stratum.levels.items()
        if code in counts
    )
    return Split(stratum, tuple(levels))
