"""Today: what is due, what is incomplete and what changed, for the units where a person sees the record.

Where they do not, a coordinator gets counts and an administrator the people of the unit.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from functools import reduce
from itertools import groupby
from operator import or_
from typing import Any

from django.db.models import CharField, Count, Exists, F, Model, OuterRef, Q, QuerySet, Subquery, Value
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.views.decorators.cache import cache_control

from registry.access import Action, units_for
from registry.models import (
    Complication,
    Contact,
    Imaging,
    IndexProcedure,
    Knee,
    Membership,
    Reoperation,
    Repair,
    ScoreResponse,
    SecondLook,
    Surgeon,
    Unit,
    User,
    Visit,
)
from registry.models.procedures import LIGAMENTS
from registry.pages.find_patient import HospitalNumberForm
from registry.rules.indications import PREREQUISITES
from registry.scoring import INSTRUMENTS
from registry.vocabulary import Answer, LigamentState, OtherSurgery, ReoperatedSince, Staging

LISTED = 20
SOON_DAYS = 30
RECENT_DAYS = 30
TORN_ACL = (LigamentState.TREATED_HERE, LigamentState.STAGED, LigamentState.LEFT)

Units = QuerySet[Unit]


@dataclass(frozen=True, slots=True)
class Line:
    """One knee of a list, with a date and a few words."""

    knee: Knee
    on: date
    text: str


@dataclass(frozen=True, slots=True)
class Listing:
    """The first lines of a list and how many there are in all; `more` is the address of all of them."""

    title: str
    date_label: str
    total: int
    lines: list[Line]
    more: str = ""


@dataclass(frozen=True, slots=True)
class UnitMember:
    """One person of one unit with their roles there."""

    name: str
    unit: str
    roles: str


@dataclass(frozen=True, slots=True)
class Table:
    """A table as shared/data_table.html prints it."""

    caption: str
    columns: list[str]
    rows: list[list[str]]


@cache_control(no_store=True)
def today(request: HttpRequest) -> HttpResponse:
    """Each section of the page is there only for those whose roles open it."""
    seen = units_for(request.user, Action.SEE_RECORD)
    counted = units_for(request.user, Action.SEE_FIGURES)
    sees_record = seen.exists()
    context = {
        "due": ligament_operations_due(seen) if sees_record else None,
        "incomplete": incomplete(seen) if sees_record else [],
        "recent": recently_recorded(seen) if sees_record else None,
        "counts": counts(counted.exclude(pk__in=seen)),
        "people": people(units_for(request.user, Action.MANAGE_UNIT).exclude(pk__in=seen)),
        "find": HospitalNumberForm() if sees_record else None,
    }
    return render(request, "registry/today.html", context)


def ligament_operations_due(units: Units) -> Listing:
    """Staged knees still followed and not seen to since, whose ligament date has passed or is near."""
    now = timezone.localdate()
    due = _procedures(units).filter(
        ~ligament_operation_done(),
        staging=Staging.REPAIR_FIRST,
        ligament_planned_on__lte=now + timedelta(days=SOON_DAYS),
        knee__patient__died_on__isnull=True,
        knee__patient__end_of_follow_up__isnull=True,
    )
    lines = [
        Line(procedure.knee, planned_on, _how_soon((planned_on - now).days))
        for procedure in due.order_by("ligament_planned_on", "pk")[:LISTED]
        if (planned_on := procedure.ligament_planned_on)
    ]
    return Listing("Ligament operation due", "Planned", due.count(), lines)


def ligament_operation_done() -> Q:
    """Of an operation: whether the knee was looked at again, or a ligament treated, on its day or later."""
    later = {"knee": OuterRef("knee"), "operated_on__gte": OuterRef("operated_on")}
    looked = SecondLook.objects.filter(knee=OuterRef("knee"), looked_on__gte=OuterRef("operated_on"))
    reoperated = Reoperation.objects.filter(**later, other_surgery=OtherSurgery.LIGAMENT)
    treated = reduce(or_, (Q(**{name: LigamentState.TREATED_HERE}) for name in LIGAMENTS))
    operated = IndexProcedure.objects.filter(treated, **later).exclude(pk=OuterRef("pk"))
    return Q(Exists(looked)) | Q(Exists(reoperated)) | Q(Exists(operated))


def incomplete(units: Units) -> list[Listing]:
    """What was left open when an operation was recorded, and what an answer left to be verified."""
    return [
        _to_verify(units),
        _without_zone(units),
        _without_posteromedial_look(units),
        _without_prerequisites(units),
    ]


def _to_verify(units: Units) -> Listing:
    """Answers "yes, operated on again" since when no operation on that knee has come on record.

    Since the last operation that was on record when the answer was: one recorded later may be what it means.
    """
    known = IndexProcedure.objects.filter(
        knee=OuterRef("knee"),
        operated_on__lte=OuterRef("answered_on"),
        recorded_at__lte=OuterRef("recorded_at"),
    )
    later = {"knee": OuterRef("knee"), "operated_on__gt": OuterRef("since")}
    told = (
        ScoreResponse.objects.filter(
            reoperated_since=ReoperatedSince.YES,
            knee__in=IndexProcedure.objects.filter(unit__in=units).values("knee"),
        )
        .annotate(since=Subquery(known.order_by("-operated_on").values("operated_on")[:1]))
        .filter(~Exists(Reoperation.objects.filter(**later)), ~Exists(IndexProcedure.objects.filter(**later)))
        .select_related("knee__patient")
    )
    lines = [
        Line(score.knee, score.answered_on, INSTRUMENTS[score.instrument].name)
        for score in told.order_by("-answered_on", "-pk")[:LISTED]
    ]
    return Listing("Operated on again, says the patient: to be verified", "Answered", told.count(), lines)


def _without_zone(units: Units) -> Listing:
    repairs = Repair.objects.filter(tear__procedure__unit__in=units, tear__vascular_zone="")
    rows = repairs.select_related("tear__procedure__knee__patient").order_by(
        "-tear__procedure__operated_on", "-pk"
    )
    lines = [
        Line(repair.tear.procedure.knee, repair.tear.procedure.operated_on, str(repair.tear))
        for repair in rows[:LISTED]
    ]
    return Listing(
        "Repairs without a vascular zone",
        "Operated",
        repairs.count(),
        lines,
        f"{reverse('repairs')}?zone=unknown",
    )


def _without_posteromedial_look(units: Units) -> Listing:
    procedures = _procedures(units).filter(acl__in=TORN_ACL, posteromedial_look="")
    lines = [
        Line(procedure.knee, procedure.operated_on, f"ACL: {procedure.get_acl_display().lower()}")
        for procedure in procedures[:LISTED]
    ]
    return Listing("ACL-torn knees, posteromedial look not recorded", "Operated", procedures.count(), lines)


def _without_prerequisites(units: Units) -> Listing:
    any_open = reduce(or_, (Q(**{name: Answer.NOT_ASSESSED}) for name in PREREQUISITES))
    procedures = _procedures(units).filter(any_open)
    lines = [
        Line(procedure.knee, procedure.operated_on, _open(procedure)) for procedure in procedures[:LISTED]
    ]
    return Listing("Operations with a prerequisite not assessed", "Operated", procedures.count(), lines)


def _open(procedure: IndexProcedure) -> str:
    missing = procedure.indication_verdict.missing
    return (
        "All six" if len(missing) == len(PREREQUISITES) else ", ".join(PREREQUISITES[key] for key in missing)
    )


def _procedures(units: Units) -> QuerySet[IndexProcedure]:
    return IndexProcedure.objects.filter(unit__in=units).select_related("knee__patient")


_RECORDED: dict[type[Model], tuple[str, str]] = {
    IndexProcedure: ("operated_on", "Operation"),
    Visit: ("seen_on", "Visit"),
    ScoreResponse: ("answered_on", "Score"),
    Imaging: ("imaged_on", "Imaging"),
    SecondLook: ("looked_on", "Second look"),
    Reoperation: ("operated_on", "Reoperation"),
    Complication: ("noticed_on", "Complication"),
    Contact: ("contacted_on", "Contact"),
}


def recently_recorded(units: Units) -> Listing:
    """What was recorded of these units' knees in the last days, newest first."""
    since = timezone.now() - timedelta(days=RECENT_DAYS)
    operated = IndexProcedure.objects.filter(unit__in=units).values("knee")
    first, *others = (_recorded(model, *words, since, operated) for model, words in _RECORDED.items())
    rows = first.union(*others, all=True)
    shown = list(rows.order_by("-recorded_at")[:LISTED])
    knees = Knee.objects.select_related("patient").in_bulk({row["knee"] for row in shown})
    lines = [
        Line(knees[row["knee"]], row["recorded_at"].date(), f"{row['what']} of {date_format(row['day'])}")
        for row in shown
    ]
    return Listing(f"Recorded in the last {RECENT_DAYS} days", "Recorded", rows.count(), lines)


def _recorded(
    model: type[Model], day: str, what: str, since: Any, knees: Any
) -> QuerySet[Any, dict[str, Any]]:
    rows = model._default_manager.filter(recorded_at__gte=since, knee__in=knees).order_by()
    told = rows.annotate(day=F(day), what=Value(what, output_field=CharField()))
    listed: QuerySet[Any, Any] = told.values("knee", "recorded_at", "day", "what")
    return listed


def _how_soon(days: int) -> str:
    if days == 0:
        return "Today"
    span = f"{abs(days)} day{'' if abs(days) == 1 else 's'}"
    return f"In {span}" if days > 0 else f"{span} overdue"


def counts(units: Units) -> Table | None:
    """Operations, knees and repairs of each unit; a count below the unit's smallest is not told."""
    if not units:
        return None
    operations = IndexProcedure.objects.filter(unit__in=units).order_by().values("unit")
    operated = {
        row["unit"]: row for row in operations.annotate(n=Count("pk"), knees=Count("knee", distinct=True))
    }
    repairs = Repair.objects.filter(tear__procedure__unit__in=units).values_list("tear__procedure__unit")
    repaired = dict(repairs.annotate(Count("pk")))
    none = {"n": 0, "knees": 0}
    rows = []
    for unit in units:
        of_unit = operated.get(unit.pk, none)
        numbers = (of_unit["n"], of_unit["knees"], repaired.get(unit.pk, 0))
        rows.append([unit.name, *(_at_least(number, unit.smallest_count_shown) for number in numbers)])
    return Table("Recorded so far", ["Unit", "Operations", "Knees", "Repairs"], rows)


def _at_least(number: int, smallest: int) -> str:
    return str(number) if number == 0 or number >= smallest else f"fewer than {smallest}"


def people(units: Units) -> list[UnitMember]:
    """Who belongs to these units, in which roles; then the surgeons who do not sign in."""
    memberships = Membership.objects.filter(unit__in=units).select_related("user", "unit")
    in_order = memberships.order_by("unit__name", "user__username", "role")
    members = groupby(in_order, key=lambda held: (held.unit, held.user))
    told = [UnitMember(_name(user), unit.name, _roles(held)) for (unit, user), held in members]
    return [*told, *_surgeons_without_account(units)]


def _name(user: User) -> str:
    return user.get_full_name() or user.username


def _roles(held: Iterable[Membership]) -> str:
    return ", ".join(membership.get_role_display() for membership in held)


def _surgeons_without_account(units: Units) -> list[UnitMember]:
    working: Any = Surgeon.units.through.objects.filter(unit__in=units, surgeon__user__isnull=True)
    named = working.order_by("unit__name", "surgeon__code").values_list("surgeon__name", "unit__name")
    return [UnitMember(name, unit, "Surgeon, no account") for name, unit in named]
