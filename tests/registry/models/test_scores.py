"""A form on record: scored by the version it was answered in, with a total only where the form has one."""

import pytest
from django.core.exceptions import ValidationError

from registry.models import ScoreResponse
from registry.recording import record
from tests import factories
from tests.conftest import Cast

pytestmark = pytest.mark.django_db

# Four of seven items of one subscale: enough by the rule of 2012, one too few by that of 1998.
FOUR_SYMPTOMS = {"S1": 1, "S2": 1, "S3": 0, "S4": 0}


def a_koos(cast: Cast, **fields: str) -> ScoreResponse:
    response = ScoreResponse(
        knee=cast.knee, answered_on=factories.OPERATED_ON, instrument="koos", items=FOUR_SYMPTOMS, **fields
    )
    record(response)
    return ScoreResponse.objects.get(pk=response.pk)


@pytest.mark.parametrize(
    ("fields", "version", "symptoms"),
    [
        ({}, "2012", "87.5"),
        ({"instrument_version": "1998"}, "1998", "not scorable (4 of 7)"),
    ],
)
def test_a_form_is_scored_by_its_own_version(
    cast: Cast, fields: dict[str, str], version: str, symptoms: str
) -> None:
    response = a_koos(cast, **fields)
    told = {score.scale.code: str(score) for score in response.scores}
    assert (response.instrument_version, told["symptoms"]) == (version, symptoms)
    assert told["pain"] == "not scorable (0 of 9)"
    assert response.total is None


def test_a_version_that_never_was_is_refused_in_words(cast: Cast) -> None:
    with pytest.raises(ValidationError, match=r"'2011' is no version of KOOS. Choose: 2012, 1998."):
        a_koos(cast, instrument_version="2011")


def test_the_story_tells_every_scale_of_it(cast: Cast) -> None:
    a_koos(cast)
    page = cast.client("clinician").get(f"/knees/{cast.knee.uuid}/").content.decode()
    assert "<h3>KOOS</h3>" in page
    assert "87.5 of 100" in page
    assert "not scorable, 0 of 9 answered" in page


def test_the_form_of_it_is_corrected_item_by_item(cast: Cast) -> None:
    response = a_koos(cast)
    page = cast.client("clinician").get(f"/knees/{cast.knee.uuid}/record/score-koos/{response.uuid}/")
    assert page.status_code == 200
    assert {"S1", "P9", "Q4"} <= set(page.context["entry"].event.fields)
