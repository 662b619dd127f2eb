"""Every resource of an invented record is valid by the standard's definitions; bundles hang together.

The definitions are those of HL7 FHIR R5 as a general-purpose library (fhir.resources) carries them.
"""

import json
import re
from collections.abc import Iterator
from typing import Any

import pytest
from django.db import transaction
from fhir.resources import get_fhir_model_class

from registry.demo.cast import Cast
from registry.demo.load import load
from registry.demo.scenario import generate
from registry.demo.truth import Truth
from registry.fhir.bundle import bundle
from registry.models import Identity, Patient
from tests.registry.demo.conftest import UNTIL

pytestmark = pytest.mark.any_engine

PATIENTS = 60
SEEN = {
    "Patient", "Condition", "Procedure", "Encounter", "Observation", "QuestionnaireResponse", "Device",
}  # fmt: skip


@pytest.fixture(scope="module")
def bundles(django_db_setup: None, django_db_blocker: Any) -> Iterator[list[dict[str, Any]]]:
    """The bundles of a small invented record, made once for all tests here."""
    with django_db_blocker.unblock(), transaction.atomic():
        load(generate(PATIENTS, 3, UNTIL, Truth.read()), Cast.read(), UNTIL, lambda _: "walnut-crescent-47")
        yield [bundle(patient) for patient in Patient.objects.select_related("unit")]
        transaction.set_rollback(True)


def resources_of(bundles: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    return (entry["resource"] for each in bundles for entry in each["entry"])


def test_every_resource_is_valid(bundles: list[dict[str, Any]]) -> None:
    kinds = set()
    for resource in resources_of(bundles):
        kind = resource["resourceType"]
        kinds.add(kind)
        get_fhir_model_class(kind).model_validate(resource)
    assert kinds == SEEN


def test_whole_bundles_are_valid(bundles: list[dict[str, Any]]) -> None:
    for each in bundles[:5]:
        get_fhir_model_class("Bundle").model_validate(each)


def test_a_resource_that_breaks_the_standard_is_found(bundles: list[dict[str, Any]]) -> None:
    condition = next(each for each in resources_of(bundles) if each["resourceType"] == "Condition")
    broken = {name: value for name, value in condition.items() if name != "clinicalStatus"}
    with pytest.raises(ValueError, match="clinicalStatus"):
        get_fhir_model_class("Condition").model_validate(broken)


def test_every_reference_leads_to_a_resource_of_its_bundle_and_every_key_is_used_once(
    bundles: list[dict[str, Any]],
) -> None:
    for each in bundles:
        keys = [entry["fullUrl"] for entry in each["entry"]]
        assert len(keys) == len(set(keys))
        told = re.findall(r'"reference": "(urn:uuid:[0-9a-f-]+)"', json.dumps(each))
        assert set(told) <= set(keys)


def test_units_are_of_ucum_and_dates_of_iso_8601(bundles: list[dict[str, Any]]) -> None:
    text = json.dumps(bundles)
    units = set(re.findall(r'"system": "http://unitsofmeasure.org", "code": "([^"]+)"', text))
    # Codes of the Unified Code for Units of Measure, from memory; {score} is an annotation, which it allows.
    assert units <= {"mm", "deg", "min", "kg/m2", "%", "mL", "wk", "mo", "{score}"}
    days = re.findall(r'"(?:effectiveDateTime|authored|start|occurrenceDateTime)": "([^"]+)"', text)
    assert days
    assert all(re.fullmatch(r"\d{4}-\d{2}-\d{2}", day) for day in days)


def test_nothing_names_anybody(bundles: list[dict[str, Any]]) -> None:
    text = json.dumps(bundles)
    opened = [identity.opened() for identity in Identity.objects.all()]
    assert len(opened) == PATIENTS
    for plain in opened:
        for name in ("hospital_number", "email", "phone"):
            assert not plain[name] or plain[name] not in text
        assert f'"{plain["family_name"]}"' not in text
