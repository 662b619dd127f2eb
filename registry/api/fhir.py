"""A patient's record as HL7 FHIR R5, for a program."""

from uuid import UUID

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from registry.access import knees_for, patient_for
from registry.api.etags import tagged
from registry.api.schema import ETAG, IF_NONE_MATCH, refusals
from registry.api.view import ApiView
from registry.fhir.bundle import bundle


class FhirRenderer(JSONRenderer):
    """JSON under the standard's own media type."""

    media_type = "application/fhir+json"
    format = "fhir"


class PatientFhir(ApiView):
    """The Bundle of one patient, of the knees that the key's person may see."""

    renderer_classes = (FhirRenderer,)

    @extend_schema(
        operation_id="patient_fhir",
        tags=["Patients"],
        summary="A patient's record as an HL7 FHIR R5 Bundle",
        parameters=[IF_NONE_MATCH, ETAG],
        responses={(200, FhirRenderer.media_type): OpenApiTypes.OBJECT, 304: None, **refusals(404)},
    )
    def get(self, request: Request, uuid: UUID) -> Response:
        patient = patient_for(self.person, uuid)
        self.opened([patient])
        return tagged(request, bundle(patient, knees_for(self.person)))
