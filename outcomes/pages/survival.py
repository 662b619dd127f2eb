"""Survival: curves by zone, acuity and ligament surgery, for the cohort and definition in the address."""

import csv
from collections.abc import Iterator

from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBadRequest
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.cache import cache_control

from outcomes.charts.survival import survival_figure
from outcomes.cohort import Cohort, UnknownFilterError
from outcomes.failure import DEFINITIONS, REOPERATION, FailureDefinition
from outcomes.pages.filters import Select, of_cohort, select
from outcomes.results import SurvivalResult
from outcomes.strata import STRATA
from outcomes.survival import survival_results
from registry.access import Action, require
from registry.models import Unit

CSV_COLUMNS = (
    "group",
    "day",
    "at_risk",
    "failures",
    "censored",
    "survival",
    "std_error",
    "lower_95",
    "upper_95",
)


@cache_control(no_store=True)
def survival(request: HttpRequest) -> HttpResponse:
    """Three figures of one cohort."""
    units = require(request.user, Action.SEE_FIGURES)
    try:
        cohort, definition = _asked(request, units)
    except UnknownFilterError as problem:
        return HttpResponseBadRequest(str(problem), content_type="text/plain")
    query = request.GET.urlencode()
    figures = [
        survival_figure(result, f"{reverse('survival_csv', args=[result.stratum_code])}?{query}")
        for result in survival_results(cohort, units, definition)
    ]
    context = {"filters": _filters(cohort, definition, units), "figures": figures, "definition": definition}
    return render(request, "outcomes/survival.html", context)


@cache_control(no_store=True)
def survival_csv(request: HttpRequest, stratum: str) -> HttpResponse:
    """Every step of the curves of one figure, at full precision."""
    units = require(request.user, Action.SEE_FIGURES)
    if stratum not in STRATA:
        raise Http404
    try:
        cohort, definition = _asked(request, units)
    except UnknownFilterError as problem:
        return HttpResponseBadRequest(str(problem), content_type="text/plain")
    results = survival_results(cohort, units, definition)
    response = HttpResponse(content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="survival-by-{stratum}.csv"'
    writer = csv.writer(response)
    writer.writerow(CSV_COLUMNS)
    for result in results:
        if result.stratum_code == stratum:
            writer.writerows(_steps(result))
    return response


def _asked(request: HttpRequest, units: QuerySet[Unit]) -> tuple[Cohort, FailureDefinition]:
    code = request.GET.get("failure") or REOPERATION.code
    if code not in DEFINITIONS:
        raise UnknownFilterError(f"failure: '{code}' is not one of {', '.join(DEFINITIONS)}.")
    return Cohort.from_query(request.GET, units), DEFINITIONS[code]


def _filters(cohort: Cohort, definition: FailureDefinition, units: QuerySet[Unit]) -> list[Select]:
    failures = {known.code: known.name for known in DEFINITIONS.values()}
    return [*of_cohort(cohort, units), select("failure", "Failure", failures, definition.code)]


def _steps(result: SurvivalResult) -> Iterator[tuple[object, ...]]:
    for group in result.groups:
        if not group.is_shown:
            continue
        curve = group.curve
        columns = (
            curve.time,
            curve.at_risk,
            curve.events_at,
            curve.censored_at,
            curve.survival,
            curve.std_error,
            curve.lower,
            curve.upper,
        )
        for step in zip(*columns, strict=True):
            yield (group.label, *step)
