"""How sure the record is: second readers, and clinic and imaging beside the second look."""

from collections.abc import Iterator
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse

from outcomes.certainty import FieldAgreement, LookedAt, clinic_and_look, imaging_and_look, readers
from outcomes.charts.beside_look import SHARES
from outcomes.charts.certainty import CLINIC, IMAGING, READERS, certainty_figures
from registry.access import Action, require
from registry.models import Unit
from registry.pages.csv_file import csv_file
from registry.pages.forms.base import Spoken

PARTS = (READERS, CLINIC, IMAGING)

READERS_COLUMNS = (
    "field", "tears", "agree", "agreement", "agreement_lower_95", "agreement_upper_95", "kappa",
    "kappa_lower_95", "kappa_upper_95", "published_agreement", "published_kappa", "citation",
    "not_recorded_by_surgeon",
)  # fmt: skip
LOOK_COLUMNS = ("finding", "measure", "x", "n", "estimate", "lower_95", "upper_95")


class Filter(Spoken, forms.Form):
    """The unit, which lives in the address."""

    unit = forms.ModelChoiceField(
        Unit.objects.none(), to_field_name="code", required=False, empty_label="All that I see"
    )

    def __init__(self, asked: Any, units: QuerySet[Unit]) -> None:
        super().__init__(asked)
        self.units = units
        self.fields["unit"].queryset = units  # type: ignore[attr-defined]

    @property
    def chosen(self) -> QuerySet[Unit]:
        unit = self.cleaned_data["unit"]
        return self.units.filter(pk=unit.pk) if unit else self.units


def how_sure(request: HttpRequest) -> HttpResponse:
    """The three figures, of one unit or of all that the person sees."""
    asked = Filter(request.GET, require(request.user, Action.SEE_FIGURES))
    context: dict[str, Any] = {"filter": asked}
    if asked.is_valid():
        chosen, query = asked.chosen, request.GET.urlencode()
        urls = {part: f"{reverse('how_sure_csv', args=[part])}?{query}" for part in PARTS}
        found = readers(chosen), clinic_and_look(chosen), imaging_and_look(chosen)
        context["figures"] = certainty_figures(*found, urls)
    return render(request, "outcomes/certainty.html", context, status=200 if asked.is_valid() else 400)


def how_sure_csv(request: HttpRequest, part: str) -> HttpResponse:
    """The numbers of one figure at full precision; where too few stand behind a share, its counts alone."""
    asked = Filter(request.GET, require(request.user, Action.SEE_FIGURES))
    if part not in PARTS or not asked.is_valid():
        raise Http404
    name = f"how-sure-{part}"
    if part == READERS:
        return csv_file(name, READERS_COLUMNS, map(_readers_row, readers(asked.chosen)))
    beside = clinic_and_look if part == CLINIC else imaging_and_look
    return csv_file(name, LOOK_COLUMNS, _look_rows(beside(asked.chosen)))


def _readers_row(each: FieldAgreement) -> tuple[Any, ...]:
    known, published = each.kappa, each.published
    share: tuple[Any, ...] = ("",) * 6
    if known and each.is_shown:
        agreement = known.agreement
        share = (
            agreement.estimate, agreement.lower, agreement.upper, known.estimate, known.lower, known.upper
        )  # fmt: skip
    printed = (published.agreement, published.kappa, published.citation) if published else ("", "", "")
    return (each.field, each.n, known.agreement.x if known else 0, *share, *printed, each.unrecorded)


def _look_rows(found: LookedAt) -> Iterator[tuple[Any, ...]]:
    for each in found.findings:
        for name, share_of in SHARES.items():
            share = share_of(each)
            told = share.n >= each.fewest
            numbers = (share.estimate, share.lower, share.upper) if told else ("", "", "")
            yield (each.code, name.lower(), share.x, share.n, *numbers)
        known = each.kappa if each.n >= each.fewest else None
        numbers = (known.estimate, known.lower, known.upper) if known else ("", "", "")
        yield (each.code, "kappa", "", each.n, *numbers)
