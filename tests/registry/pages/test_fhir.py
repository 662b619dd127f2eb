"""A patient's record as a FHIR file: for whoever may see the knee, nothing of what they may not see."""

import json
from datetime import date

import pytest

from registry.models import Knee
from registry.recording import record
from tests import factories
from tests.conftest import Cast

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(
    ("who", "status"),
    [
        ("surgeon", 200),
        ("clinician", 200),
        ("audit_lead", 200),
        ("coordinator", 404),
        ("administrator", 404),
        ("stranger", 404),
        ("nobody", 302),
    ],
)
def test_who_may_see_the_knee_gets_the_file(cast: Cast, who: str, status: int) -> None:
    assert cast.client(who).get(f"/knees/{cast.knee.uuid}/fhir/").status_code == status


def test_it_is_a_file_of_the_standards_media_type_and_kept_nowhere(cast: Cast) -> None:
    answer = cast.client("surgeon").get(f"/knees/{cast.knee.uuid}/fhir/")
    assert answer["Content-Type"] == "application/fhir+json; fhirVersion=5.0"
    assert answer["Content-Disposition"].startswith("attachment")
    assert "no-store" in answer["Cache-Control"]
    assert json.loads(answer.content)["type"] == "collection"


def test_a_knee_operated_on_elsewhere_alone_is_not_in_it(cast: Cast) -> None:
    other = Knee(patient=cast.knee.patient, side="right")
    record(other)
    elsewhere = factories.an_operation(
        cast.other_unit, cast.oak, other, operated_on=date(2024, 5, 1), injured_on=None
    )
    factories.a_repair(elsewhere)
    content = cast.client("surgeon").get(f"/knees/{cast.knee.uuid}/fhir/").content.decode()
    assert str(cast.repair.tear.procedure.uuid) in content
    assert str(elsewhere.uuid) not in content
