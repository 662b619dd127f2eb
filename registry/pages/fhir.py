"""A patient's record as an HL7 FHIR R5 file, for whoever may see the knee."""

from uuid import UUID

from django.http import HttpRequest, HttpResponse, JsonResponse

from registry.access import knee_for, knees_for
from registry.fhir.bundle import bundle

MEDIA_TYPE = "application/fhir+json; fhirVersion=5.0"


def fhir(request: HttpRequest, knee: UUID) -> HttpResponse:
    """The Bundle of the patient whose knee this is, as a file; of another knee only if it may be seen too."""
    patient = knee_for(request.user, knee).patient
    headers = {"Content-Disposition": f'attachment; filename="{patient.uuid}.fhir.json"'}
    made = bundle(patient, knees_for(request.user))
    return JsonResponse(made, content_type=MEDIA_TYPE, headers=headers)
