"""Audit briefings: the form that builds one, the archive, the files, and what has changed since."""

from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.db.models import BigIntegerField, QuerySet
from django.db.models.fields.json import KT
from django.db.models.functions import Cast
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from outcomes.briefing.archive import changed_since, make_briefing, was_written_since
from outcomes.briefing.asked import RULE, AskedWronglyError, Brief, last_whole_year
from outcomes.briefing.pdf import NoPdfError, pdf_of
from outcomes.cache import data_version
from outcomes.definitions import definition_coded, definitions_for
from outcomes.failure import REOPERATION
from outcomes.models import Briefing
from registry.access import Action, require
from registry.models import Unit, User
from registry.pages.forms.base import Spoken
from registry.pages.unit import person_of

LISTED = 50
# The version of the record that a briefing was read from, taken out of its numbers by the database.
_VERSION = Cast(KT("numbers__asked__record_version"), BigIntegerField())


class BriefForm(Spoken, forms.Form):
    """What a briefing is asked for; opens on the last whole calendar year."""

    unit = forms.ModelChoiceField(Unit.objects.none(), to_field_name="code", empty_label=None)
    since = forms.DateField(
        required=False,
        label="Operated from",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text="Empty: from the first operation on.",
    )
    until = forms.DateField(
        required=False,
        label="Operated to",
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text="Empty: up to today.",
    )
    failure = forms.ChoiceField(label="Failure means")
    note = forms.CharField(
        required=False,
        max_length=2000,
        label="Words of the chair",
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Printed under the headline: name no person.",
    )

    def __init__(self, units: QuerySet[Unit], posted: Any = None) -> None:
        since, until = last_whole_year(timezone.localdate())
        first = units.first()
        opens_on = {"since": since, "until": until, "failure": REOPERATION.code}
        super().__init__(posted, initial={**opens_on, "unit": first.code if first else ""})
        self.definitions = definitions_for(units)
        unit: Any = self.fields["unit"]
        failure: Any = self.fields["failure"]
        unit.queryset = units
        failure.choices = [(code, known.name) for code, known in self.definitions.items()]

    @property
    def brief(self) -> Brief | None:
        """What was asked; None, with the reason on the form, where it cannot be."""
        if not self.is_valid():
            return None
        said = self.cleaned_data
        of_unit = definitions_for(Unit.objects.filter(pk=said["unit"].pk))
        if said["failure"] not in of_unit:
            name = self.definitions[said["failure"]].name
            self.add_error("failure", f"'{name}' is another unit's definition. Choose one of {said['unit']}.")
            return None
        try:
            return Brief(
                unit=said["unit"],
                definition=of_unit[said["failure"]],
                closed_on=timezone.localdate(),
                since=said["since"],
                until=said["until"],
                note=said["note"],
            )
        except AskedWronglyError as problem:
            self.refuse(problem)
            return None

    def refuse(self, problem: AskedWronglyError) -> None:
        """Put the reason on its field."""
        field, _, words = str(problem).partition(": ")
        self.add_error(field, f"{words[:1].upper()}{words[1:]}")


# --- pages ------------------------------------------------------------------------------------


def briefings(request: HttpRequest) -> HttpResponse:
    """The form and the archive; a sound form builds a briefing and shows it."""
    units = require(request.user, Action.BRIEF)
    form = BriefForm(units, request.POST or None)
    if request.method == "POST":
        made = _make(form, person_of(request))
        if made:
            messages.success(request, "The briefing is built and archived.")
            return redirect("briefing", made.uuid)
    version = data_version()
    archive = _listed(units).defer("html_gzipped", "numbers").annotate(read_at=_VERSION)[:LISTED]
    context = {
        "form": form,
        "rule": RULE,
        "archive": [(each, each.read_at != version) for each in archive],
    }
    return render(request, "outcomes/briefings.html", context, status=422 if form.is_bound else 200)


def briefing(request: HttpRequest, briefing: UUID) -> HttpResponse:
    """One briefing: what it is of, its files, its SHA-256."""
    return _page(request, _found(request, briefing))


def briefing_file(request: HttpRequest, briefing: UUID) -> HttpResponse:
    """The file itself, byte for byte as archived; a download, since this site runs no script in a page."""
    found = _found(request, briefing)
    return _download(found.html, "text/html; charset=utf-8", f"{_name(found)}.html")


def briefing_pdf(request: HttpRequest, briefing: UUID) -> HttpResponse:
    """The same file printed; where that cannot be done, the page says why."""
    found = _found(request, briefing)
    try:
        printed = pdf_of(found.html)
    except NoPdfError as reason:
        return _page(request, found, no_pdf=str(reason), status=503)
    return _download(printed, "application/pdf", f"{_name(found)}.pdf")


def briefing_changes(request: HttpRequest, briefing: UUID) -> HttpResponse:
    """What the record tells otherwise than the briefing did."""
    found = _found(request, briefing)
    context = {"briefing": found, "differences": changed_since(found), "today": timezone.localdate()}
    return render(request, "outcomes/briefing/changes.html", context)


def _make(form: BriefForm, by: User) -> Briefing | None:
    brief = form.brief
    if brief is None:
        return None
    try:
        return make_briefing(brief, by)
    except AskedWronglyError as problem:
        form.refuse(problem)
        return None


def _listed(units: QuerySet[Unit]) -> QuerySet[Briefing]:
    """The archive of these units."""
    return Briefing.objects.filter(unit__in=units).select_related("unit", "made_by")


def _found(request: HttpRequest, key: UUID) -> Briefing:
    """A briefing of a unit whose audit this person leads; 404 for any other, as if there were none."""
    found = _listed(require(request.user, Action.BRIEF)).filter(uuid=key).first()
    if found is None:
        raise Http404
    return found


def _page(request: HttpRequest, found: Briefing, *, no_pdf: str = "", status: int = 200) -> HttpResponse:
    context = {
        "briefing": found,
        "definition": definition_coded(found.definition),
        "was_written_since": was_written_since(found),
        "no_pdf": no_pdf,
    }
    return render(request, "outcomes/briefing/page.html", context, status=status)


def _name(found: Briefing) -> str:
    return f"briefing-{found.unit.code}-{timezone.localtime(found.made_at):%Y-%m-%d}"


def _download(content: bytes, kind: str, name: str) -> HttpResponse:
    answer = HttpResponse(content, content_type=kind)
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer
