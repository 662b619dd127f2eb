"""Who may open what the record says: each page, each of the cast."""

import pytest
from django.urls import reverse

pytestmark = pytest.mark.django_db

SEES_RECORD = ("surgeon", "colleague", "clinician", "audit_lead")
PAGES = {
    "repairs": {*SEES_RECORD, "stranger"},
    "survival": {*SEES_RECORD, "coordinator", "stranger"},
    "scores": {*SEES_RECORD, "coordinator", "stranger"},
    "response": {*SEES_RECORD, "stranger"},
    "releases": {"coordinator"},
}
EVERYBODY = (*SEES_RECORD, "coordinator", "administrator", "stranger")


@pytest.mark.parametrize("who", EVERYBODY)
@pytest.mark.parametrize("page", PAGES)
def test_a_page_opens_for_its_roles_only(cast, page, who):
    status = cast.client(who).get(reverse(page)).status_code
    assert status == (200 if who in PAGES[page] else 403)


@pytest.mark.parametrize("page", PAGES)
def test_signed_out_leads_to_the_sign_in_page(cast, page):
    response = cast.client("nobody").get(reverse(page))
    assert response.status_code == 302
    assert response.url.startswith(reverse("sign_in"))


@pytest.mark.parametrize(("who", "status"), [*((who, 200) for who in SEES_RECORD), ("stranger", 404)])
def test_standing_of_a_knee(cast, who, status):
    assert cast.client(who).get(reverse("standing", args=[cast.knee.uuid])).status_code == status


@pytest.mark.parametrize("who", ["coordinator", "administrator"])
def test_no_standing_for_who_may_not_see_the_record(cast, who):
    assert cast.client(who).get(reverse("standing", args=[cast.knee.uuid])).status_code == 404


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
