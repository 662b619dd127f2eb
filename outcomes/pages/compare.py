"""Two cohorts side by side: their sentences, one drawing, the differences where they are independent."""

from collections.abc import Sequence
from typing import Any

from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render
from django.urls import reverse

from outcomes.analyses.context import Context
from outcomes.charts.compared import CSV_COLUMNS, compared_figure, compared_steps
from outcomes.compared import Compared, compared
from outcomes.naming import FAILURE
from outcomes.pages.filters import Asked, FailureForm, NothingShownError, asked, not_given, not_shown
from outcomes.pages.named_cohorts import SECOND
from outcomes.survival import count_cohort, group_of
from registry.access import Action, require
from registry.models import Repair, Unit
from registry.pages.csv_file import csv_file

TEMPLATE = "outcomes/compare.html"
FIRST_LABEL, SECOND_LABEL = "First cohort", "Second cohort"
_PATIENT = "tear__procedure__knee__patient"

Of = Asked[FailureForm]


def compare(request: HttpRequest) -> HttpResponse:
    """The page: both forms, both cohorts in words, the figure."""
    units = require(request.user, Action.SEE_FIGURES)
    forms = {
        "forms": [(FIRST_LABEL, _form(request, units, "")), (SECOND_LABEL, _form(request, units, SECOND))]
    }
    try:
        both = _both(request, units)
    except NothingShownError as refusal:
        return not_shown(request, TEMPLATE, refusal, **forms)
    found, contexts = _found(both)
    query = "&".join(filter(None, (of.query for of in both)))
    csv_url = f"{reverse('survival_compare_csv')}?{query}"
    context: dict[str, Any] = {
        "sentences": [
            (label, of.sentence, of.definition.name)
            for label, of in zip((FIRST_LABEL, SECOND_LABEL), both, strict=True)
        ],
        "figures": [compared_figure(found, contexts, csv_url)] if found else [],
    }
    return render(request, TEMPLATE, forms | context)


def compare_csv(request: HttpRequest) -> HttpResponse:
    """Every step of both curves at full precision."""
    units = require(request.user, Action.SEE_FIGURES)
    try:
        found, _ = _found(_both(request, units))
    except NothingShownError as refusal:
        return not_given(refusal)
    return csv_file("two-cohorts", CSV_COLUMNS, compared_steps(found) if found else ())


def _query(request: HttpRequest) -> QueryDict:
    """The address; where the second cohort says nothing of failure, it means what it means in the first."""
    query = request.GET.copy()
    query.setdefault(SECOND + FAILURE, query.get(FAILURE, ""))
    return query


def _form(request: HttpRequest, units: QuerySet[Unit], before: str) -> FailureForm:
    return FailureForm(_query(request), units, before)


def _both(request: HttpRequest, units: QuerySet[Unit]) -> tuple[Of, Of]:
    query = _query(request)
    first = asked(request, units, FailureForm, query=query)
    return first, asked(request, units, FailureForm, SECOND, query=query)


def _found(both: tuple[Of, Of]) -> tuple[Compared | None, Sequence[Context]]:
    """The comparison with both contexts; none where a cohort is empty."""
    counts = [count_cohort(of.cohort, of.units, of.definition, (), of.closed_on) for of in both]
    contexts = [
        Context.of(of.sentence, of.definition, of.closed_on, counted)
        for of, counted in zip(both, counts, strict=True)
    ]
    if any(counted.table.empty for counted in counts):
        return None, contexts
    labelled = zip((FIRST_LABEL, SECOND_LABEL), counts, strict=True)
    first, second = ((group_of(label, label, counted.table), counted.table) for label, counted in labelled)
    repairs = [of.cohort.repairs(of.units) for of in both]
    found = compared(
        first,
        second,
        in_both=_in_both(*repairs),
        patients_in_both=_patients_in_both(*repairs),
        same_definition=both[0].definition.code == both[1].definition.code,
    )
    return found, contexts


def _in_both(first: QuerySet[Repair], second: QuerySet[Repair]) -> int:
    return first.filter(pk__in=second.values("pk")).count()


def _patients_in_both(first: QuerySet[Repair], second: QuerySet[Repair]) -> int:
    shared = first.filter(**{f"{_PATIENT}__in": second.values(_PATIENT)})
    return int(shared.values(_PATIENT).distinct().count())
