"""Find a knee by hospital number, through the blind index: no identity is opened, no number kept."""

from django import forms
from django.db.models import Max, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from registry.access import Action, knees_for, require
from registry.models import Identity, Knee, Unit, User
from registry.pages.forms.base import Spoken
from registry.sealing import blind_index


class HospitalNumberForm(Spoken, forms.Form):
    """The number alone; what was typed is never written back."""

    hospital_number = forms.CharField(max_length=40, widget=forms.TextInput(attrs={"autocomplete": "off"}))


@sensitive_post_parameters("hospital_number")
@require_POST
def find_patient(request: HttpRequest) -> HttpResponse:
    """On to the only knee found, else all of them, or words that there is none."""
    units = require(request.user, Action.SEE_RECORD)
    assert isinstance(request.user, User)  # noqa: S101 - require() let nobody else pass
    form = HospitalNumberForm(request.POST)
    if not form.is_valid():
        return render(request, "registry/find_patient.html", {"form": form}, status=422)
    knees = list(_knees(request.user, units, form.cleaned_data["hospital_number"]))
    if len(knees) == 1:
        return redirect("knee_story", knees[0].uuid)
    return render(request, "registry/find_patient.html", {"form": HospitalNumberForm(), "knees": knees})


def _knees(person: User, units: QuerySet[Unit], hospital_number: str) -> QuerySet[Knee]:
    """Every knee of these units' patients of that number, whatever was done in it."""
    indices = [blind_index(unit.pk, hospital_number) for unit in units]
    named = Identity.objects.filter(unit__in=units, hospital_number_index__in=indices).values("patient")
    knees = knees_for(person).filter(patient__in=named).select_related("patient__unit")
    standing = Q(procedures__withdrawn_at__isnull=True)
    last = Max("procedures__operated_on", filter=standing)
    return knees.annotate(last_operated_on=last).order_by("patient", "side")
