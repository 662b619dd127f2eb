"""The table of what goes where: every column of the record is in it, and every element is the standard's."""

import json
from io import StringIO

import pytest
from django.core.management import call_command
from fhir.resources import get_fhir_model_class

from registry.fhir.mapping import mapping
from registry.models.history_rules import kept_models

pytestmark = pytest.mark.any_engine

RESOURCES = (
    "Patient", "Condition", "Procedure", "Encounter", "Observation", "QuestionnaireResponse", "Device",
)  # fmt: skip


def test_every_column_of_the_record_is_decided_about() -> None:
    decided = {(row.model, row.field) for row in mapping()}
    columns = {
        (model.__name__, field.name) for model in kept_models() for field in model._meta.concrete_fields
    }
    assert decided == columns


def test_what_is_not_carried_says_why() -> None:
    for row in mapping():
        if row.element.startswith("not carried"):
            assert len(row.element) > len("not carried: "), row


def test_every_element_named_is_one_of_the_standard() -> None:
    for row in mapping():
        for element in (part.strip() for part in row.element.split(",")):
            kind, _, path = element.partition(".")
            if kind in RESOURCES and path:
                names = {
                    field.alias or name for name, field in get_fhir_model_class(kind).model_fields.items()
                }
                first = path.split(".")[0].split(" ")[0]
                assert any(name == first or name.startswith(first) for name in names), element


def test_the_command_prints_it() -> None:
    out = StringIO()
    call_command("fhir", "mapping", "--json", stdout=out)
    rows = json.loads(out.getvalue())
    assert {"model": "Tear", "field": "pattern", "element": "Condition.code"} in rows
