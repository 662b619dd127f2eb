"""Who looked: for the patient who asks, everybody who opened their record, to print and as a file."""

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from registry.access import Action, unit_for
from registry.models import Patient, Unit
from registry.pages.csv_file import csv_file
from registry.pages.rights.asked import WHO_LOOKED, WhyForm, mark_of, note_view, patient_of_mark
from registry.pages.unit import person_of
from registry.rights.looks import looks_at
from registry.signing_in.confirming import confirm_first

PAGE = "registry.who_looked"
NOTED = WHO_LOOKED + "asked for: {reason}"
AS_FILE = WHO_LOOKED + "as a file"
CSV_COLUMNS = ("when", "who", "what", "why")


@sensitive_post_parameters()
@confirm_first
def who_looked(request: HttpRequest, unit: str) -> HttpResponse:
    """The question; after it, every look at that patient, this one among them."""
    found = unit_for(request.user, unit, Action.MANAGE_UNIT)
    form = WhyForm(found, request.POST if request.method == "POST" else None)
    if form.is_valid() and form.patient:
        note_view(form.patient, person_of(request), NOTED.format(reason=form.cleaned_data["reason"]))
        return _shown(request, found, form.patient)
    context = {"unit": found, "form": form}
    return render(request, "registry/rights/who_looked.html", context, status=422 if form.is_bound else 200)


@sensitive_post_parameters()
@require_POST
@confirm_first
def who_looked_csv(request: HttpRequest, unit: str) -> HttpResponse:
    """The same as a file for the patient; noted too."""
    found, person = unit_for(request.user, unit, Action.MANAGE_UNIT), person_of(request)
    patient = patient_of_mark(request.POST.get("patient", ""), found, person, PAGE)
    if patient is None:
        raise Http404
    note_view(patient, person, AS_FILE)
    rows = (
        (look.at.isoformat(timespec="minutes"), look.who, look.what, look.why) for look in looks_at(patient)
    )
    return csv_file("who-looked", CSV_COLUMNS, rows)


def _shown(request: HttpRequest, unit: Unit, patient: Patient) -> HttpResponse:
    context = {
        "unit": unit,
        "looks": looks_at(patient),
        "patient": patient,
        "mark": mark_of(patient, unit, person_of(request), PAGE),
        "now": timezone.now(),
    }
    return render(request, "registry/rights/who_looked.html", context)
