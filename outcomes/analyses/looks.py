"""Failure found at an examination happened some time before: repairs still standing, told in intervals."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from django.db.models import (
    Case,
    Count,
    Exists,
    F,
    IntegerField,
    Min,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    When,
)
from django.db.models.functions import Coalesce, Greatest
from django.db.models.sql.constants import LOUTER
from django_cte import CTE, with_cte

from outcomes import wording
from outcomes.analyses.context import Context
from outcomes.estimators import survival
from outcomes.estimators.cautions import FEW_AT_RISK, informative_looks
from outcomes.estimators.interval import NonParametricMLE, turnbull
from outcomes.estimators.survival import SurvivalCurve, kaplan_meier
from outcomes.failure import REOPERATED, FailureDefinition
from outcomes.results import FEWEST_SHOWN
from outcomes.timeline import EXAMINED, FAILED, TOLD, Sighting, entered_late, timeline
from registry.database import Days, long_ago, never
from registry.models import Repair, SecondLookFinding

INTERVALS = (
    "A failure seen at an examination lies after the last one before it (else the operation); one told by a "
    "reoperation alone lies after the day the knee was last known well. A repair not seen to fail stands at "
    "least to the end of its follow-up."
)
PLAIN = "Plain curve: Kaplan-Meier of the same repairs, each failure on the day it was seen."
NO_BAND = "No interval is drawn: none is agreed on for this estimate, so read small differences as nothing."
VISIT_SEES_LITTLE = (
    "A visit without signs counts as intact, though it does not see the tear: failure may lie earlier yet."
)


@dataclass(frozen=True, slots=True)
class LooksResult:
    """When repairs fail if each failure is only known to lie between two days; days as unit of time.

    `n` repairs are counted, `events` of them failed; `left_out` more came later from old notes. `looked_at`
    had a second look. Half of the failures are known to within `median_gap_days`. `estimate` and the plain
    `curve` of the same repairs are None where fewer than FEWEST_SHOWN are counted.
    """

    title: str
    context: Context
    n: int
    events: int
    left_out: int
    looked_at: int
    median_gap_days: float | None
    estimate: NonParametricMLE | None
    curve: SurvivalCurve | None
    cautions: tuple[str, ...]
    methods: tuple[str, ...]
    references: tuple[str, ...]


def looks_result(repairs: QuerySet[Repair], context: Context) -> LooksResult:
    """Estimate the repairs' survival from intervals; two queries. `context` is of the same repairs."""
    followed = repairs.exclude(entered_late())
    table = intervals(followed, context.definition)
    looked_at = followed.filter(Exists(SecondLookFinding.objects.filter(tear=OuterRef("tear")))).count()
    n, failed = int(table["n"].sum()), table[table["upper"].notna()]
    shown = n >= FEWEST_SHOWN
    estimate = turnbull(table["lower"], table["upper"], table["n"]) if shown else None
    curve = _plain_curve(table) if shown else None
    return LooksResult(
        title=f"{context.definition.name}: repairs still standing, failure known to lie between two days",
        context=context,
        n=n,
        events=int(failed["n"].sum()),
        left_out=context.entered_late + context.left_out,
        looked_at=looked_at,
        median_gap_days=_median_gap(failed),
        estimate=estimate,
        curve=curve,
        cautions=_cautions(context, looked_at, n),
        methods=(INTERVALS, *((estimate.method,) if estimate else ()), PLAIN),
        references=(*((estimate.reference,) if estimate else ()), survival.REFERENCE),
    )


def intervals(repairs: QuerySet[Repair], definition: FailureDefinition) -> pd.DataFrame:
    """Count repairs by the two days, from operation, that failure lies between; in one GROUP BY.

    Returns
    -------
    One row a pair that occurs: failure after `lower` and not after `upper`, on that day where both are the
    same; `upper` is missing where none was seen, and `lower` then the end of follow-up; `n` repairs.
    """
    has_failed = Q(outcome=FAILED)
    grouped = (
        _with_examinations(timeline(repairs, definition), definition)
        .annotate(
            lower=Case(When(has_failed, then=_last_intact()), default=F("duration_days")),
            upper=Case(When(has_failed, then=F("duration_days")), output_field=IntegerField()),
        )
        .values_list("lower", "upper")
        .annotate(n=Count("pk"))
    )
    table = pd.DataFrame(list(grouped), columns=["lower", "upper", "n"])
    return table.astype({"lower": float, "upper": float, "n": int})


def _with_examinations(repairs: Any, definition: FailureDefinition) -> Any:
    """Annotate `examined_on`: when each first failed by what takes an examination, never if by nothing."""
    sources = [source for source in definition.sources if source.kind != REOPERATED]
    if not sources:
        return repairs.annotate(examined_on=never())
    first, *others = (source.events() for source in sources)
    union = CTE(first.union(*others, all=True) if others else first, name="examinations")
    earliest = union.queryset().values("of_tear").annotate(examined_on=Min("event_on"))
    by_tear = CTE(earliest, name="examined", materialized=True)
    joined = by_tear.join(repairs, tear_id=by_tear.col.of_tear, _join_type=LOUTER)
    return with_cte(union, by_tear, select=joined).annotate(
        examined_on=Coalesce(by_tear.col.examined_on, never())
    )


def _last_intact() -> Any:
    """Day from operation on which a repair that failed was last known not to have."""
    examined, told = ([_latest(kind) for kind in kinds] for kinds in (EXAMINED, TOLD))
    seen = When(examined_on=F("ended_on"), then=Greatest(*examined))
    known_on = Case(seen, default=Greatest(*examined, *told))
    return Days(Greatest(known_on, "started_on"), F("started_on"))


def _latest(kind: Sighting) -> Any:
    """Latest such day of the knee before the failure was seen; reads an index, for failed repairs alone."""
    earlier = {"knee": OuterRef("tear__procedure__knee"), f"{kind.day}__lt": OuterRef("ended_on")}
    rows = kind.rows().filter(**earlier).order_by(f"-{kind.day}")
    return Coalesce(Subquery(rows.values(kind.day)[:1]), long_ago())


def _plain_curve(table: pd.DataFrame) -> SurvivalCurve:
    seen = table["upper"].notna()
    return kaplan_meier(table["upper"].where(seen, table["lower"]), seen, table["n"])


def _median_gap(failed: pd.DataFrame) -> float | None:
    if failed.empty:
        return None
    return float(np.median(np.repeat((failed["upper"] - failed["lower"]).to_numpy(), failed["n"])))


def _cautions(context: Context, looked_at: int, n: int) -> tuple[str, ...]:
    looks = informative_looks(looked_at, n)
    left_out = context.entered_late + context.left_out
    late = wording.counted(left_out, "repair")
    said = (
        f"Left out: {late} entered later from old notes, since when each was last intact is not on record."
        if left_out
        else "",
        *(caution for caution in context.cautions if caution != context.late_entries),
        looks.sentence if looks else "",
        VISIT_SEES_LITTLE if context.definition.examined else "",
        NO_BAND,
        f"Lines fade where fewer than {FEW_AT_RISK} repairs remain at risk.",
    )
    return tuple(filter(None, said))
