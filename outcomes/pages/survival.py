"""Survival: curves by zone, acuity and ligament surgery, or whatever the address asks to split by."""

from collections.abc import Iterator, Sequence
from itertools import chain
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse

from outcomes.cache import remembered
from outcomes.charts.survival import pairs_table, survival_figure
from outcomes.pages.drill import links_behind, may_follow
from outcomes.pages.filters import Asked, NothingShownError, asked, not_given, not_shown, page_context
from outcomes.pages.survival_form import SurvivalForm
from outcomes.pages.views import CURVES, view_links
from outcomes.results import SurvivalResult
from outcomes.strata import STRATA, Stratum
from outcomes.survival import question, survival_results
from registry.access import Action, require
from registry.pages.csv_file import csv_file

TEMPLATE = "outcomes/survival.html"
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


def survival(request: HttpRequest) -> HttpResponse:
    """Curves of one cohort, a figure for each way it is split."""
    units = require(request.user, Action.SEE_FIGURES)
    try:
        of = asked(request, units, SurvivalForm)
    except NothingShownError as refusal:
        return not_shown(request, TEMPLATE, refusal)
    shown, not_split = of.joined_splits(of.form.strata)
    parts = _parts(of, shown)
    context = {
        "parts": parts,
        "figures": [part["figure"] for part in parts],
        "views": view_links(CURVES, of.query),
        "not_split": not_split,
    }
    return render(request, TEMPLATE, page_context(of) | context)


def survival_csv(request: HttpRequest, stratum: str) -> HttpResponse:
    """Every step of the curves of one figure, at full precision."""
    units = require(request.user, Action.SEE_FIGURES)
    if stratum not in STRATA:
        raise Http404
    try:
        of = asked(request, units, SurvivalForm)
    except NothingShownError as refusal:
        return not_given(refusal)
    shown, not_split = of.joined_splits([STRATA[stratum]])
    if not shown:
        return not_given(NothingShownError(of.form, 403, not_split))
    results = survival_results(of.cohort, units, of.definition, of.closed_on, shown)
    steps = chain.from_iterable(map(_steps, results))
    return csv_file(f"survival-by-{stratum}", CSV_COLUMNS, steps)


def _parts(of: Asked[SurvivalForm], shown: Sequence[Stratum]) -> list[dict[str, Any]]:
    """All figures with what stands around them, drawn once as long as the record stays as it is."""
    follows = may_follow(of)
    asked_for = question(of.cohort, of.units, of.definition, tuple(shown), of.closed_on)

    def draw() -> list[dict[str, Any]]:
        results = survival_results(of.cohort, of.units, of.definition, of.closed_on, shown)
        return [_part(of, result, follows=follows) for result in results]

    return remembered("survival figures", (*asked_for, of.query, follows), draw)


def _part(of: Asked[SurvivalForm], result: SurvivalResult, *, follows: bool) -> dict[str, Any]:
    """A figure, the pairs beside it, and the ways to the failures behind it."""
    address = reverse("survival_csv", args=[result.stratum_code])
    links = links_behind(of, result) if follows else []
    figure = survival_figure(
        result,
        f"{address}?{of.query}",
        as_failure=of.form.as_failure,
        behind={link["code"]: link["url"] for link in links},
    )
    return {"figure": figure, "pairs": pairs_table(result), "behind": links}


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
