"""Due: which reviews wait for an answer and who is drifting away, each with what can be done about it now."""

from typing import Any

from django.core.paginator import Page, Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from registry.access import Action, require
from registry.pages.due.asked import Asked, Facet
from registry.pages.due.lines import drifting_lines, review_lines
from registry.pages.due.unheard import drifting_rows
from registry.pages.due.waiting import PAGE_SIZE, found

WAITING, DRIFTING = "registry/due.html", "registry/due_drifting.html"


def due(request: HttpRequest) -> HttpResponse:
    """The reviews that wait for an answer, the one whose window ends first on top."""
    units = require(request.user, Action.SEE_RECORD)
    asked = Asked(request.GET, units)
    if not asked.is_valid():
        return _refused(request, WAITING, asked)
    waiting = found(asked, units, request.user, request.GET.get("page", ""))
    lines = review_lines(waiting.lines, request.user, units)
    return _shown(request, WAITING, asked.facets(waiting.counts), waiting.page, lines)


def drifting(request: HttpRequest) -> HttpResponse:
    """The knees that nobody has seen or heard of for longer than planned, the longest on top."""
    units = require(request.user, Action.SEE_RECORD)
    asked = Asked(request.GET, units)
    if not asked.is_valid():
        return _refused(request, DRIFTING, asked)
    rows = asked.of_these(drifting_rows(units), request.user).order_by("last_known_on", "knee_id")
    page = Paginator(rows, PAGE_SIZE).get_page(request.GET.get("page"))
    lines = drifting_lines(page, request.user, units)
    return _shown(request, DRIFTING, asked.places(), page, lines)


def _refused(request: HttpRequest, template: str, asked: Asked) -> HttpResponse:
    return render(request, template, {"form": asked}, status=400)


def _shown(
    request: HttpRequest, template: str, facets: list[Facet], page: "Page[Any]", lines: list[Any]
) -> HttpResponse:
    kept = request.GET.copy()
    kept.pop("page", None)
    context = {
        "facets": facets,
        "page": page,
        "lines": lines,
        "query": kept.urlencode(),
        "back": request.get_full_path(),
    }
    return render(request, template, context)
