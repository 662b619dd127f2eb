"""Releases: what was released, and the form that makes a new package."""

from typing import Any

from django import forms
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import cache_control

from outcomes.cohort import Cohort
from outcomes.failure import DEFINITIONS
from outcomes.models import ReleaseEntry
from outcomes.release.making import Request, make_release
from outcomes.release.package import NOT_PROMISED
from outcomes.release.rows import ReleaseRefusedError
from registry.access import Action, require
from registry.models import Unit, User


class ReleaseForm(forms.Form):
    """What a release needs to be stated."""

    project = forms.CharField(
        max_length=60, help_text="The same project keeps its pseudonyms; another gets unlinkable ones."
    )
    purpose = forms.CharField(
        max_length=300, help_text="Goes into the package as written: name no person and no place."
    )
    approval = forms.CharField(max_length=100, label="Approval reference")
    units = forms.ModelMultipleChoiceField(Unit.objects.none(), widget=forms.CheckboxSelectMultiple)
    which = forms.ChoiceField(label="Repairs")
    failure = forms.ChoiceField(choices=[(known.code, known.name) for known in DEFINITIONS.values()])

    def __init__(self, units: QuerySet[Unit], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["units"].queryset = units  # type: ignore[attr-defined]
        self.fields["units"].initial = units
        self.fields["which"].choices = list(Cohort.choices(units)["which"].items())  # type: ignore[attr-defined]
        self.fields["which"].initial = "all"


@cache_control(no_store=True)
def releases(request: HttpRequest) -> HttpResponse:
    """The ledger and the form; a sound form answers with the package itself."""
    units = require(request.user, Action.RELEASE)
    form = ReleaseForm(units, request.POST or None)
    if request.method == "POST" and form.is_valid():
        assert isinstance(request.user, User)  # noqa: S101 - require() let nobody else pass
        try:
            return _download(request.user, form.cleaned_data)
        except ReleaseRefusedError as refusal:
            form.add_error(None, str(refusal))
    entries = ReleaseEntry.objects.filter(units__in=units).distinct().select_related("released_by")[:100]
    context = {"form": form, "entries": entries, "not_promised": NOT_PROMISED}
    return render(request, "outcomes/releases.html", context, status=422 if form.is_bound else 200)


def _download(person: User, said: dict[str, Any]) -> HttpResponse:
    package, entry = make_release(
        Request(
            by=person,
            units=said["units"],
            cohort=Cohort(which=said["which"]),
            definition=DEFINITIONS[said["failure"]],
            project=said["project"],
            purpose=said["purpose"],
            approval=said["approval"],
        )
    )
    response = HttpResponse(package, content_type="application/zip")
    response["Content-Disposition"] = f'attachment; filename="release-{entry.uuid}.zip"'
    response["Cache-Control"] = "no-store"
    return response
