"""What pages of the record say to whom, beside the matrix of every address and role in tests/security."""

import pytest
from django.urls import reverse

pytestmark = pytest.mark.django_db


def test_a_stranger_sees_no_repair_of_another_unit(cast):
    assert b"No repair fits" in cast.client("stranger").get(reverse("repairs")).content
    assert b"No repair in this cohort" in cast.client("stranger").get(reverse("survival")).content


def test_another_units_code_is_no_filter(cast):
    response = cast.client("surgeon").get(reverse("survival"), {"unit": "southmere"})
    assert response.status_code == 400
    assert b"unit: &#x27;southmere&#x27;" in response.content or b"unit: 'southmere'" in response.content


def test_personal_pages_are_not_kept_by_browsers(cast):
    client = cast.client("surgeon")
    for address in (reverse("repairs"), reverse("standing", args=[cast.knee.uuid])):
        assert client.get(address)["Cache-Control"] == "no-store"
