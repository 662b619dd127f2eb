"""Patient's file: everything held of one patient as one readable file, for the patient who asks."""

from typing import Any
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template.loader import render_to_string
from django.utils import timezone
from django.views.decorators.debug import sensitive_post_parameters

from registry.access import Action, knee_for, knees_for
from registry.models import IdentityView, Knee, OpeningKind, Patient, User
from registry.pages.rights.asked import OpeningForm
from registry.pages.unit import person_of
from registry.recording import record
from registry.rights import given_out, openings
from registry.rights.file.tree import tree
from registry.rights.looks import looks_at
from registry.signing_in.confirming import confirm_first


@sensitive_post_parameters()
@confirm_first
def patient_file(request: HttpRequest, knee: UUID) -> HttpResponse:
    """The question why; after its answer, the file."""
    found, person = knee_for(request.user, knee, Action.SEE_IDENTITY), person_of(request)
    view = IdentityView(patient=found.patient, user=person)
    form = OpeningForm(request.POST if request.method == "POST" else None, instance=view)
    if form.is_valid():
        record(view)
        openings.note(found.patient, person, OpeningKind.FILE)
        return _file(found.patient, person)
    context = {"knee": found, "form": form}
    status = 422 if form.is_bound else 200
    return render(request, "registry/rights/patient_file.html", context, status=status)


def _file(patient: Patient, reader: User) -> HttpResponse:
    """A download: it has its style inside, which no page of this site may have."""
    headers = {"Content-Disposition": 'attachment; filename="patient-file.html"'}
    return HttpResponse(
        render_to_string("registry/rights/file.html", contents(patient, reader)), headers=headers
    )


def contents(patient: Patient, reader: User) -> dict[str, Any]:
    """What the file tells, of the knees whose identity the reader may open."""
    knees = knees_for(reader, Action.SEE_IDENTITY)
    return {
        "patient": patient,
        "told": tree(patient, Knee.ever.filter(pk__in=knees.values("pk"))),
        "looks": looks_at(patient),
        "releases": given_out.of(patient.uuid),
        "now": timezone.now(),
    }
