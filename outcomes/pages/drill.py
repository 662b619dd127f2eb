"""The failures behind a curve: which repairs failed by when, why, and the way to each knee's story."""

from typing import Any
from urllib.parse import urlencode

from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.db.models import Case, F, Q, QuerySet, Value, When
from django.db.models.lookups import GreaterThan
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse

from outcomes.pages.filters import Asked, NothingShownError, asked, not_shown, page_context
from outcomes.pages.repairs import PAGE_SIZE
from outcomes.pages.survival_form import LEVEL, SPLIT, UNTIL_DAY, BehindForm
from outcomes.results import SurvivalResult
from outcomes.standing import standings
from outcomes.strata import LIGAMENT_SURGERY, TOGETHER, ZONE
from outcomes.timeline import FAILED, entered_late, timeline
from registry.access import Action, require, units_for
from registry.database import Days
from registry.models import Repair, Unit
from registry.vocabulary import LigamentSurgery

TEMPLATE = "outcomes/drill.html"


def behind(request: HttpRequest) -> HttpResponse:
    """The list, the earliest failure first."""
    units = _both(request)
    try:
        of = asked(request, units, BehindForm)
        if of.form.stratum:
            of.must_split(of.form.stratum)
    except NothingShownError as refusal:
        return not_shown(request, TEMPLATE, refusal)
    page = Paginator(_failed(of).values_list("pk", flat=True), PAGE_SIZE).get_page(request.GET.get("page"))
    context = {
        "what": _what(of),
        "page": page,
        "rows": _rows(list(page.object_list), of),
        "back": f"{reverse('survival')}?{_without(of, LEVEL, UNTIL_DAY)}",
    }
    return render(request, TEMPLATE, page_context(of) | context)


def may_follow(of: Asked[Any]) -> bool:
    """Whether this person may read the record of some unit of the cohort, and so follow a curve."""
    units = _readable(of)
    return (units.filter(code=of.cohort.unit) if of.cohort.unit else units).exists()


def links_behind(of: Asked[Any], result: SurvivalResult) -> list[dict[str, Any]]:
    """The way to the failures of each group that has any."""
    kept = {name: value for name, value in of.form.query.items() if name not in (LEVEL, UNTIL_DAY)}
    address = reverse("survival_repairs")
    return [
        {
            "code": group.code,
            "label": group.label,
            "failures": group.curve.events,
            "url": f"{address}?{urlencode({**kept, SPLIT: result.stratum_code, LEVEL: group.code})}",
        }
        for group in result.groups
        if group.curve.events and TOGETHER not in {known.code for known in result.groups}
    ]


def _both(request: HttpRequest) -> QuerySet[Unit]:
    """The units whose figures and whose record this person may see; 403 when there is none."""
    units = require(request.user, Action.SEE_FIGURES) & units_for(request.user, Action.SEE_RECORD)
    if not units:
        raise PermissionDenied
    return units


def _readable(of: Asked[Any]) -> QuerySet[Unit]:
    return of.units & units_for(of.person, Action.SEE_RECORD)


def _failed(of: Asked[BehindForm]) -> QuerySet[Any, Any]:
    """The failures that the curve counts: none of those that came before a late entry."""
    repairs = of.cohort.repairs(of.units)
    if level := of.form.level:
        stratum, code = level
        repairs = repairs.alias(level_behind=stratum.expression).filter(level_behind=code)
    gap: Any = Days(F("recorded_at"), F("tear__procedure__operated_on"))
    entry = Case(When(entered_late(), then=gap), default=Value(0))
    failed = timeline(repairs, of.definition).filter(outcome=FAILED).annotate(entry=entry)
    counted = failed.filter(Q(GreaterThan(F("duration_days"), F("entry"))) | Q(entry=0))
    if of.form.until_day is not None:
        counted = counted.filter(duration_days__lte=of.form.until_day)
    in_order: QuerySet[Any, Any] = counted.order_by("duration_days", "pk")
    return in_order


def _rows(keys: list[int], of: Asked[BehindForm]) -> list[dict[str, Any]]:
    found = (
        Repair.objects.filter(pk__in=keys)
        .select_related("tear__procedure__knee__patient", "tear__procedure__unit")
        .annotate(zone=ZONE.expression, ligament=LIGAMENT_SURGERY.expression)
        .in_bulk()
    )
    repairs: list[Any] = [found[key] for key in keys]
    known = standings(repairs, of.definition) if repairs else {}
    return [
        {
            "repair": repair,
            "standing": known[repair.pk],
            "ligament": LigamentSurgery(repair.ligament).label,
        }
        for repair in repairs
    ]


def _what(of: Asked[BehindForm]) -> str:
    """Which failures of the cohort are listed, in words."""
    said = []
    if level := of.form.level:
        stratum, code = level
        said.append(f"{stratum.title}: {stratum.levels[code]}")
    if of.form.until_day is not None:
        said.append(f"failed within {of.form.until_day:,} days of the operation")
    return "; ".join(said)


def _without(of: Asked[Any], *names: str) -> str:
    return urlencode({name: value for name, value in of.form.query.items() if name not in names})
