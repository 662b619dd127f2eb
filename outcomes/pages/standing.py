"""The standing of a knee's repairs: a fragment that the Knee story embeds, a page without script."""

from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from outcomes.standing import all_standings
from registry.access import knee_for
from registry.models import Repair


def standing(request: HttpRequest, knee: UUID) -> HttpResponse:
    """Every repair of one knee under every failure definition."""
    found = knee_for(request.user, knee)
    repairs = list(
        Repair.objects.filter(tear__procedure__knee=found)
        .select_related("tear__procedure")
        .order_by("tear__procedure__operated_on", "pk")
    )
    known = all_standings(repairs)
    rows = [{"repair": repair, "standings": known[repair.pk]} for repair in repairs]
    template = "outcomes/standing_fragment.html" if request.htmx else "outcomes/standing.html"  # type: ignore[attr-defined]
    response = render(request, template, {"knee": found, "rows": rows})
    response["Cache-Control"] = "no-store"
    return response
