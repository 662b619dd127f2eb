"""Addresses of the API on the record."""

from django.urls import URLPattern, URLResolver, path

from registry.api import examples, schema
from registry.api.addresses import act, addresses, told, view
from registry.api.entries import EntryListAndRecord
from registry.api.events import Event, OfPatient
from registry.api.fhir import PatientFhir
from registry.api.operations import Operation, Signature, TearOfOperation
from registry.api.patients import (
    FindPatient,
    FindSerializer,
    FoundSerializer,
    KneeResource,
    PatientResource,
    PlainList,
    PlainListAndRecord,
)
from registry.api.reports import READ
from registry.api.scores import Score
from registry.pages.forms.events import KINDS

PATIENTS, KNEES, OPERATIONS, TEARS = PatientResource(), KneeResource(), Operation(), TearOfOperation()
EVENTS = (
    Event("visits", "visit", KINDS["visit"], examples.VISIT),
    Event("second-looks", "second_look", KINDS["second-look"], examples.SECOND_LOOK),
    Event("imaging", "imaging", KINDS["imaging"], examples.IMAGING),
    Event("reoperations", "reoperation", KINDS["reoperation"], examples.REOPERATION),
    Event("complications", "complication", KINDS["complication"], examples.COMPLICATION),
    Event("contacts", "contact", KINDS["contact"], examples.CONTACT),
    OfPatient("ends-of-follow-up", "end_of_follow_up", KINDS["end-of-follow-up"], examples.END),
    Score(examples.SCORE),
)


def _find() -> URLPattern:
    post = told(
        PATIENTS,
        "find",
        "Find patients by hospital number",
        request=FindSerializer,
        responses={200: FoundSerializer, **schema.refusals(413, 415, 422)},
        parameters=[schema.RETRY_AFTER, schema.CHALLENGE],
    )
    return path("patients/find/", view(FindPatient, PATIENTS, post=post), name="api_find_patient")


urlpatterns: list[URLPattern | URLResolver] = [
    _find(),
    *addresses(PATIENTS, lists=PlainListAndRecord, filters=(), withdrawn=False),
    path("patients/<uuid:uuid>/fhir/", PatientFhir.as_view(), name="api_patient_fhir"),
    *addresses(KNEES, lists=PlainList, filters=(), withdrawn=False),
    *addresses(OPERATIONS, lists=EntryListAndRecord),
    act(OPERATIONS, Signature, "signature", "Sign the note", body=None),
    *addresses(TEARS, lists=None, withdrawn=False),
]
for _event in EVENTS:
    urlpatterns += addresses(_event, lists=EntryListAndRecord)
for _entry in READ:
    urlpatterns += addresses(_entry, withdrawn=_entry.may_be_withdrawn)
