"""What was found before a second look, paired with the look tear by tear and counted by the database."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import (
    BooleanField,
    Case,
    Count,
    Exists,
    F,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Value,
    When,
    Window,
)
from django.db.models.functions import RowNumber
from django.db.models.lookups import GreaterThanOrEqual, LessThan, LessThanOrEqual
from django_cte import CTE, with_cte

from registry.database import Days
from registry.models import (
    ImagingFinding,
    IndexProcedure,
    Reoperation,
    Repair,
    SecondLookFinding,
    Unit,
    Visit,
)
from registry.rules.healing import CLINICAL_HEALING_FROM_DAYS
from registry.vocabulary import Effusion

Rows = QuerySet[Any, Any]

# "Within 6 months", as long as signs of healing take to be readable.
APART_AT_MOST_DAYS = CLINICAL_HEALING_FROM_DAYS

SIGNS = ("effusion", "joint_line_tenderness", "mcmurray")


@dataclass(frozen=True, slots=True)
class Pairs:
    """Counts of tears: (what was found before..., healed at the look) to how many; and in how many knees."""

    counts: dict[tuple[Any, ...], int]
    knees: int


def visits_and_looks(units: QuerySet[Unit]) -> Pairs:
    """Tears by the three signs of the last telling visit and the look that followed."""
    return _paired(units, _telling_visits(), Visit.objects.order_by(), SIGNS)


def imaging_and_looks(units: QuerySet[Unit]) -> Pairs:
    """Tears by the class of the last telling imaging and the look that followed."""
    return _paired(units, _telling_imaging(), ImagingFinding.objects.order_by(), ("healed",))


def looks(units: QuerySet[Unit]) -> Rows:
    """Looks at tears repaired in these units that tell healed from not healed, by each patient's unit.

    Not healed is the class "failed" of rules.healing; all else with a known thickness is healed or partly so.
    """
    failed_from = F("look__knee__patient__unit__failed_cleft_from_percent")
    not_healed = When(healed_thickness_percent__lte=100 - failed_from, then=Value(False))
    return SecondLookFinding.objects.filter(
        healed_thickness_percent__isnull=False,
        tear__repair__isnull=False,
        tear__repair__withdrawn_at__isnull=True,
        tear__procedure__unit__in=units,
    ).annotate(healed=Case(not_healed, default=Value(True), output_field=BooleanField()))


def looked_at(units: QuerySet[Unit]) -> int:
    """How many repaired tears have such a look."""
    return int(looks(units).order_by().aggregate(tears=Count("tear", distinct=True))["tears"])


def repaired(units: QuerySet[Unit]) -> int:
    """How many tears were repaired."""
    return Repair.objects.filter(tear__procedure__unit__in=units).count()


def _paired(units: QuerySet[Unit], before: Rows, table: Rows, columns: Sequence[str]) -> Pairs:
    """Each tear by its first look that has something before it."""
    found = looks(units).order_by().annotate(before=Subquery(before.values("pk")[:1]))
    in_order = Window(RowNumber(), partition_by=F("tear_id"), order_by=[F("look__looked_on"), F("pk")])
    paired = found.filter(before__isnull=False).annotate(place=in_order, of_knee=F("look__knee_id"))
    cte = CTE(paired.values("healed", "before", "place", "of_knee"), name="pairs")
    joined = cte.join(table, pk=cte.col.before).annotate(
        healed_at_look=cte.col.healed, place=cte.col.place, of_knee=cte.col.of_knee
    )
    first: Any = with_cte(cte, select=joined.filter(place=1))
    counted = first.values_list(*columns, "healed_at_look").annotate(n=Count("pk"))
    return Pairs(
        counts={(*found, bool(healed)): n for *found, healed, n in counted},
        knees=first.aggregate(knees=Count("of_knee", distinct=True))["knees"],
    )


def _telling_visits() -> Rows:
    """Of a look, the visits from which clinical healing can be read, latest first."""
    effused = Q(effusion__in=[Effusion.SLIGHT, Effusion.MARKED])
    any_sign = effused | Q(joint_line_tenderness=True) | Q(mcmurray=True)
    all_known = Q(joint_line_tenderness__isnull=False, mcmurray__isnull=False) & ~Q(effusion="")
    rows: Rows = Visit.objects.filter(any_sign | all_known, knee=OuterRef("look__knee"))
    rows = _shortly_before(rows, "seen_on").filter(seen_on__gte=OuterRef("tear__procedure__operated_on"))
    for operation in (IndexProcedure, Reoperation):
        since: Any = Days(OuterRef("seen_on"), F("operated_on"))
        recent = operation._default_manager.filter(
            LessThan(since, CLINICAL_HEALING_FROM_DAYS),
            knee=OuterRef("knee"),
            operated_on__lte=OuterRef("seen_on"),
        )
        rows = rows.exclude(Exists(recent))
    return rows.order_by("-seen_on", "-pk")


def _telling_imaging() -> Rows:
    """Of a look at a tear, the findings on imaging that name a class, latest first."""
    rows: Rows = ImagingFinding.objects.filter(tear=OuterRef("tear")).exclude(healed="")
    since: Any = Days(F("imaging__imaged_on"), OuterRef("tear__procedure__operated_on"))
    rows = _shortly_before(rows, "imaging__imaged_on").filter(
        GreaterThanOrEqual(since, CLINICAL_HEALING_FROM_DAYS)
    )
    return rows.order_by("-imaging__imaged_on", "-pk")


def _shortly_before(rows: Rows, day: str) -> Rows:
    gap: Any = Days(OuterRef("look__looked_on"), F(day))
    return rows.filter(
        LessThanOrEqual(gap, APART_AT_MOST_DAYS), **{f"{day}__lte": OuterRef("look__looked_on")}
    )
