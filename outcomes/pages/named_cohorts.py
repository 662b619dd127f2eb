"""Cohorts: filters and a definition of failure under a name, one's own and those shared with one's units."""

from collections.abc import Iterable, Iterator
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.html import format_html
from django.views.decorators.http import require_POST

from outcomes.models import NamedCohort
from outcomes.naming import FAILURE, LONGEST_NAME, drop_cohort, name_cohort, share_cohort
from outcomes.pages.named_lines import Line, Reader, ShareForm
from registry.access import Action, require
from registry.models import Unit
from registry.pages.forms.base import Spoken
from registry.pages.unit import person_of

# What goes before the names of the second cohort's filters in an address that compares two.
SECOND = "b_"
CHOOSE_TWO = "Choose two different cohorts of the list."


class NameForm(ShareForm):
    """A name for the filters that another page sent along."""

    title = "Name a cohort"
    name = forms.CharField(widget=forms.TextInput({"maxlength": LONGEST_NAME}))
    query = forms.CharField(label="Filters", required=False, max_length=2000, widget=forms.HiddenInput)
    field_order = ("name", "shared_with", "query")


class CompareForm(Spoken, forms.Form):
    """Two cohorts to be laid side by side."""

    first = forms.ChoiceField(label="First cohort", error_messages={"invalid_choice": CHOOSE_TWO})
    second = forms.ChoiceField(label="Second cohort", error_messages={"invalid_choice": CHOOSE_TWO})

    def __init__(self, asked: Any, lines: Iterable[Line]) -> None:
        super().__init__(asked)
        choices = [(str(line.named.uuid), line.named.name) for line in lines]
        for name, chosen in zip(self.fields, choices, strict=False):
            self.fields[name].choices = choices  # type: ignore[attr-defined]
            self.fields[name].initial = chosen[0]

    def clean(self) -> None:
        if self.cleaned_data.get("first") and len(set(self.cleaned_data.values())) == 1:
            self.add_error("second", CHOOSE_TWO)


# --- pages ------------------------------------------------------------------------------------


def cohorts(request: HttpRequest) -> HttpResponse:
    """All names one may see; names another cohort, or goes on to two of them side by side."""
    units = require(request.user, Action.SEE_FIGURES)
    reader = Reader.of(person_of(request), units)
    form = NameForm(units, request.POST if request.method == "POST" else None)
    if request.method == "POST" and _kept(request, form):
        return redirect("named_cohorts")
    lines = [Line.of(named, reader) for named in reader.visible()]
    can_open = [line for line in lines if line.query is not None]
    compare = CompareForm(request.GET if "first" in request.GET else None, can_open)
    if request.method == "GET" and compare.is_valid():
        return redirect(f"{reverse('survival_compare')}?{urlencode(dict(_side_by_side(compare, can_open)))}")
    context = {
        "lines": lines,
        "compare": compare if len(can_open) > 1 or compare.is_bound else None,
        "form": form,
        "to_be_named": _to_be_named(form, reader),
    }
    bad = 422 if form.is_bound else 400 if compare.errors else 200
    return render(request, "outcomes/named_cohorts.html", context, status=bad)


@require_POST
def share(request: HttpRequest, cohort: UUID) -> HttpResponse:
    """Share a cohort of one's own with one of one's units, or with nobody."""
    units = require(request.user, Action.NAME_COHORT)
    named = _visible_to(request, cohort, units)
    form = ShareForm(units, request.POST)
    if form.is_valid():
        share_cohort(named, person_of(request), form.cleaned_data["shared_with"])
        told = f"shared with {named.shared_with}" if named.shared_with else "shared with nobody"
        messages.success(request, f"'{named}' is {told}.")
    else:
        messages.error(request, f"'{named}' is shared as before. {_first(form)}")
    return redirect("named_cohorts")


@require_POST
def drop(request: HttpRequest, cohort: UUID) -> HttpResponse:
    """Forget a name of one's own; its filters are offered once more."""
    units = require(request.user, Action.NAME_COHORT)
    named = _visible_to(request, cohort, units)
    line = Line.of(named, Reader.of(person_of(request), units))
    drop_cohort(named, person_of(request))
    words = "'{}' is dropped. <a href=\"{}\">Open its filters in Survival</a> to name them again."
    told = format_html(words, named.name, line.survival_url) if line.query else f"'{named}' is dropped."
    messages.success(request, told)
    return redirect("named_cohorts")


def _visible_to(request: HttpRequest, uuid: UUID, units: QuerySet[Unit]) -> NamedCohort:
    named = Reader.of(person_of(request), units).visible().filter(uuid=uuid).first()
    if named is None:
        raise Http404
    return named


def _kept(request: HttpRequest, form: NameForm) -> bool:
    """Keep the name; False when it is refused, with the reason on the form."""
    require(request.user, Action.NAME_COHORT)
    if not form.is_valid():
        return False
    said = form.cleaned_data
    try:
        query = QueryDict(said["query"]).dict()
        named = name_cohort(person_of(request), said["name"], query, said["shared_with"])
    except ValidationError as refusal:
        form.add_error(None, refusal)
        return False
    messages.success(request, f"'{named}' is kept.")
    return True


def _to_be_named(form: NameForm, reader: Reader) -> dict[str, str]:
    """The filters on the form in words; nothing when they cannot be used."""
    query = QueryDict(form["query"].value() or "").dict() if form.is_bound else {}
    cohort = reader.cohort(query) if form.is_bound and "query" not in form.errors else None
    if cohort is None:
        return {}
    definition, _ = reader.definition(query.get(FAILURE, ""))
    return {"sentence": reader.sentence(cohort), "definition": definition.name}


def _side_by_side(compare: CompareForm, lines: Iterable[Line]) -> Iterator[tuple[str, str]]:
    queries = {str(line.named.uuid): line.query or {} for line in lines}
    for before, chosen in (("", "first"), (SECOND, "second")):
        for name, value in queries[compare.cleaned_data[chosen]].items():
            yield before + name, value


def _first(form: forms.Form) -> str:
    return str(next(iter(form.errors.values()))[0])
