"""My results: a surgeon's own, beside the unit's; cautions first."""

from collections.abc import Mapping
from datetime import date
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone

from outcomes.charts.figure import Figure
from outcomes.charts.own import FAILURES, SHORT_NAMES, own_figures, own_files
from outcomes.charts.whose import YOURS, Whose, of_code
from outcomes.definitions import definitions_for
from outcomes.failure import REOPERATION, FailureDefinition
from outcomes.own.failures import OwnFailure
from outcomes.own.funnel import SMALL_NUMBERS
from outcomes.own.results import COUNTS_ONLY, OwnResults, every_failure, own_results
from outcomes.own.whose import Asked, Subject, asked_for, coded_for
from registry.models import Unit, User
from registry.pages.csv_file import csv_file
from registry.pages.forms.base import Spoken

TEMPLATE = "outcomes/own_results.html"
LEAD_COUNTS = "A repair counts for the lead surgeon of its operation, whoever tied the knots."
UNNAMED = "Other surgeons are points without names, in no order of people."
BY_CODE = "Surgeons are told by code, as the units that you lead agreed."
LOCAL = "For audit: local protocol and the operating surgeon decide."

NO_RECORD = (
    "No surgeon on record belongs to your sign-in, so there are no results of your own. The unit's "
    "administrator can link the two."
)
NO_UNIT = "The surgeon works in none of the units whose results you may see here."
NOBODY_AGREED = "No unit that you lead has agreed to show its audit lead the results of single surgeons."
CHOOSE = "Choose a surgeon to see results by code."


class Filter(Spoken, forms.Form):
    """Surgeon, unit and definition of failure; all live in the address."""

    surgeon = forms.ChoiceField(required=False)
    unit = forms.ModelChoiceField(
        Unit.objects.none(), to_field_name="code", required=False, empty_label="All of them"
    )
    failure = forms.ChoiceField(label="Failure means", required=False)

    def __init__(self, query: Mapping[str, Any], asked: Asked) -> None:
        own = asked.subject is not None and asked.subject.is_own
        # Who asks for themselves by code sees what they see without.
        super().__init__({**query, "surgeon": "" if own else query.get("surgeon", "")})
        units = asked.subject.units if asked.subject else Unit.objects.none()
        self.definitions = definitions_for(units)
        fields: dict[str, Any] = self.fields
        fields["unit"].queryset = units
        fields["failure"].choices = [(known.code, known.name) for known in self.definitions.values()]
        codes = list(asked.others.order_by("code").values_list("code", "code"))
        fields["surgeon"].choices = [("", "Myself" if own else "Nobody chosen"), *codes]
        if not codes:
            fields["surgeon"].widget = forms.HiddenInput()

    @property
    def definition(self) -> FailureDefinition:
        return self.definitions[self.cleaned_data["failure"] or REOPERATION.code]

    def units(self, subject: Subject) -> QuerySet[Unit]:
        """The unit chosen, or all of the subject's."""
        unit = self.cleaned_data["unit"]
        return subject.units.filter(pk=unit.pk) if unit else subject.units


def my_results(request: HttpRequest) -> HttpResponse:
    """One surgeon's results, or in plain words why there are none."""
    person: Any = request.user
    asked = asked_for(person, request.GET.get("surgeon", ""))
    form = Filter(request.GET.dict(), asked)
    context: dict[str, Any] = {"form": form, "cautions": _cautions(person, asked.subject)}
    if asked.subject is None:
        return render(request, TEMPLATE, context | {"nobody": _nobody(person, asked)})
    if not form.is_valid():
        return render(request, TEMPLATE, context, status=400)
    whose = _words(asked.subject)
    results = _results(person, asked.subject, form)

    def csv_url(part: str) -> str:
        return f"{reverse('my_results_csv', args=[part])}?{request.GET.urlencode()}"

    parts = list(own_figures(results, whose, csv_url))
    return render(
        request,
        TEMPLATE,
        context
        | {
            "whose": whose,
            "results": results,
            "counts_only": COUNTS_ONLY if results.judged is None else "",
            "parts": parts,
            "contents": [(part.name, SHORT_NAMES[part.name]) for part in parts if isinstance(part, Figure)],
            "definition": form.definition,
            "failures_csv": csv_url(FAILURES),
        },
    )


def my_results_csv(request: HttpRequest, part: str) -> HttpResponse:
    """One part at full precision."""
    person: Any = request.user
    asked = asked_for(person, request.GET.get("surgeon", ""))
    form = Filter(request.GET.dict(), asked)
    if asked.subject is None or not form.is_valid():
        raise Http404
    results = _results(person, asked.subject, form)
    failures = _every_failure(asked.subject, form) if part == FAILURES else results.failures
    files = own_files(results, _words(asked.subject), failures)
    if part not in files:
        raise Http404
    columns, rows = files[part]
    return csv_file(f"my-results-{part}", columns, rows)


def _results(person: User, subject: Subject, form: Filter) -> OwnResults:
    units = form.units(subject)
    today: date = timezone.localdate()
    coded = coded_for(person, units)
    return own_results(subject.surgeon, units, form.definition, today, coded_for=coded)


def _every_failure(subject: Subject, form: Filter) -> tuple[OwnFailure, ...]:
    return every_failure(subject.surgeon, form.units(subject), form.definition, timezone.localdate())


def _words(subject: Subject) -> Whose:
    return YOURS if subject.is_own else of_code(subject.surgeon.code)


def _cautions(person: User, subject: Subject | None) -> tuple[str, ...]:
    by_code = subject is not None and coded_for(person, subject.units) is not None
    return (SMALL_NUMBERS, LEAD_COUNTS, BY_CODE if by_code else UNNAMED, LOCAL)


def _nobody(person: User, asked: Asked) -> list[str]:
    """Why nobody's results are shown."""
    own = getattr(person, "surgeon", None)
    said = NO_UNIT if own else NO_RECORD
    return [said, CHOOSE if asked.others.exists() else NOBODY_AGREED]
