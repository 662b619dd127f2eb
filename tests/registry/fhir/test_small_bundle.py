"""One bundle checked by hand against the standard: every element by name, and what R5 requires of it.

Names, cardinalities and required elements are those of HL7 FHIR R5 (5.0.0), from memory; a general-purpose
library of the standard's own definitions checks them once more.
"""

from datetime import date
from typing import Any

import pytest

from registry.fhir.bundle import bundle
from registry.fhir.datatypes import OWN, derived
from registry.models import Contact, Implant, Patient, ScoreResponse
from registry.recording import record
from registry.scoring import INSTRUMENTS
from tests import factories
from tests.conftest import Cast

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

# Elements that R5 requires (cardinality 1..1 or 1..*), by resource.
REQUIRED = {
    "Patient": set(),
    "Encounter": {"status"},
    "Condition": {"clinicalStatus", "subject"},
    "Procedure": {"status", "subject"},
    "Observation": {"status", "code"},
    "QuestionnaireResponse": {"questionnaire", "status"},
    "Device": set(),
}


@pytest.fixture
def small(cast: Cast) -> Patient:
    """One repaired tear, one implant, one call and one form."""
    procedure = cast.repair.tear.procedure
    record(
        Implant(
            procedure=procedure,
            device_identifier="09506000134352",
            lot="ABC123",
            expires_on=date(2027, 1, 31),
            count=2,
        ),
        Contact(knee=cast.knee, contacted_on=date(2024, 9, 1), source="phone"),
        ScoreResponse(knee=cast.knee, answered_on=date(2024, 9, 1), instrument="sane", items=sane_of(80)),
    )
    return cast.knee.patient


def sane_of(value: int) -> dict[str, int]:
    return {INSTRUMENTS["sane"].items[0].code: value}


def by_type(patient: Patient) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = {}
    for entry in bundle(patient)["entry"]:
        found.setdefault(entry["resource"]["resourceType"], []).append(entry["resource"])
    return found


def without_meta(resource: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in resource.items() if name != "meta"}


def test_the_patient_has_sex_birth_and_unit_and_no_name(small: Patient) -> None:
    (patient,) = by_type(small)["Patient"]
    assert patient == {
        "resourceType": "Patient",
        "id": str(small.uuid),
        "gender": "female",
        "birthDate": "1995-05-17",
        "managingOrganization": {"identifier": {"system": f"{OWN}:unit", "value": "northmere"}},
    }


def test_the_tear_is_a_condition(small: Patient, cast: Cast) -> None:
    (condition,) = by_type(small)["Condition"]
    tear, procedure = cast.repair.tear, cast.repair.tear.procedure
    assert without_meta(condition) == {
        "resourceType": "Condition",
        "id": str(tear.uuid),
        "clinicalStatus": {
            "coding": [
                {"system": "http://terminology.hl7.org/CodeSystem/condition-clinical", "code": "active"}
            ]
        },
        "code": {
            "coding": [
                {
                    "system": f"{OWN}:Tear.pattern",
                    "code": "longitudinal",
                    "display": "Longitudinal-vertical",
                }
            ],
            "text": "Longitudinal-vertical",
        },
        "bodySite": [
            {
                "coding": [
                    {
                        "system": f"{OWN}:site",
                        "code": "left_medial_meniscus",
                        "display": "Medial meniscus, left knee",
                    }
                ],
                "text": "Medial meniscus, left knee",
            }
        ],
        "subject": {"reference": f"urn:uuid:{small.uuid}"},
        "encounter": {"reference": f"urn:uuid:{derived(procedure.uuid, 'encounter')}"},
        "recordedDate": "2024-03-01",
        "onsetDateTime": "2024-02-09",
    }


def test_the_repair_is_a_procedure_within_the_operation(small: Patient, cast: Cast) -> None:
    operation, repair = by_type(small)["Procedure"]
    assert operation["id"] == str(cast.repair.tear.procedure.uuid)
    assert operation["status"] == "completed"
    assert operation["occurrenceDateTime"] == "2024-03-01"
    assert operation["performer"][0]["actor"] == {"identifier": {"system": f"{OWN}:surgeon", "value": "oak"}}
    assert repair["partOf"] == [{"reference": f"urn:uuid:{operation['id']}"}]
    assert repair["reason"] == [{"reference": {"reference": f"urn:uuid:{cast.repair.tear.uuid}"}}]
    assert repair["code"]["coding"] == [
        {"system": f"{OWN}:technique", "code": "all_inside", "display": "All-inside"}
    ]


def test_the_implant_is_a_device_with_its_udi(small: Patient) -> None:
    found = by_type(small)
    (device,), operation = found["Device"], found["Procedure"][0]
    assert without_meta(device) == {
        "resourceType": "Device",
        "id": device["id"],
        "udiCarrier": [
            {"deviceIdentifier": "09506000134352", "issuer": "http://hl7.org/fhir/NamingSystem/gs1-di"}
        ],
        "lotNumber": "ABC123",
        "expirationDate": "2027-01-31",
    }
    assert operation["focalDevice"] == [
        {
            "manipulated": {"reference": f"urn:uuid:{device['id']}"},
            "extension": [{"url": f"{OWN}:extension:implants-used", "valuePositiveInt": 2}],
        }
    ]


def test_the_call_is_a_virtual_encounter(small: Patient) -> None:
    call = by_type(small)["Encounter"][-1]
    assert call["status"] == "completed"
    assert call["class"][0]["coding"][0] == {
        "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode",
        "code": "VR",
    }
    assert call["actualPeriod"] == {"start": "2024-09-01", "end": "2024-09-01"}


def test_the_form_is_a_response_and_its_score_an_observation_derived_from_it(small: Patient) -> None:
    found = by_type(small)
    (response,), score = found["QuestionnaireResponse"], found["Observation"][-1]
    item = INSTRUMENTS["sane"].items[0]
    assert response["item"] == [{"linkId": item.code, "text": item.label, "answer": [{"valueInteger": 80}]}]
    assert response["questionnaire"] == f"{OWN}:instrument:sane|{INSTRUMENTS['sane'].version}"
    assert score["derivedFrom"] == [{"reference": f"urn:uuid:{response['id']}"}]
    assert score["valueQuantity"] == {
        "value": 80.0,
        "unit": "{score}",
        "system": "http://unitsofmeasure.org",
        "code": "{score}",
    }


def test_every_resource_has_what_the_standard_requires(small: Patient) -> None:
    for kind, resources in by_type(small).items():
        for resource in resources:
            assert REQUIRED[kind] <= set(resource), resource
            for item in resource.get("item", []):
                assert {"linkId"} <= set(item)
            for device in resource.get("focalDevice", []):
                assert "manipulated" in device
            for carrier in resource.get("udiCarrier", []):
                assert {"deviceIdentifier", "issuer"} <= set(carrier)
            for performer in resource.get("performer", []) if kind == "Procedure" else []:
                assert "actor" in performer


def test_a_birth_known_by_its_year_is_told_by_its_year(cast: Cast) -> None:
    factories.corrected(cast.knee.patient, born_on=date(1995, 7, 1), born_on_is_exact=False)
    assert by_type(cast.knee.patient)["Patient"][0]["birthDate"] == "1995"


def test_an_injury_known_by_its_month_is_told_by_its_month(cast: Cast) -> None:
    procedure = cast.repair.tear.procedure
    factories.corrected(procedure, injured_on=date(2024, 2, 1), injury_date_precision="month")
    assert by_type(cast.knee.patient)["Condition"][0]["onsetDateTime"] == "2024-02"


def test_a_withdrawn_row_is_left_out(small: Patient, cast: Cast) -> None:
    factories.withdrawn(cast.knee.contacts.get())
    assert len(by_type(small)["Encounter"]) == 1
