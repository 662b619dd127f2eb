"""Finding a knee by hospital number: no identity is opened, and the number is told nowhere."""

import logging
from datetime import date
from typing import Any

import pytest

from registry.models import Identity, IdentityView, Knee, Membership, Patient, Tear
from registry.recording import record
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text

NUMBER = "NM 0042"
NONE = "No knee with that hospital number is on record in your units."


def known(cast: Cast, number: str = NUMBER) -> Patient:
    record(Identity.sealed(cast.knee.patient, hospital_number=number))
    return cast.knee.patient


def find(cast: Cast, who: str = "surgeon", number: str = NUMBER) -> Any:
    return cast.client(who).post("/find/", {"hospital_number": number})


@pytest.mark.parametrize(
    ("who", "offered"),
    [
        ("surgeon", True),
        ("clinician", True),
        ("audit_lead", True),
        ("coordinator", False),
        ("administrator", False),
    ],
)
def test_the_box_is_on_today_for_who_sees_the_record(cast: Cast, who: str, offered: bool) -> None:
    assert ('action="/find/"' in text(cast.client(who).get("/"))) is offered


@pytest.mark.parametrize("who", ["surgeon", "clinician", "audit_lead"])
@pytest.mark.parametrize("typed", [NUMBER, "nm0042", " NM0042 "])
def test_one_knee_leads_to_its_story(cast: Cast, who: str, typed: str) -> None:
    known(cast)
    response = find(cast, who, typed)
    assert response.status_code == 302
    assert response.headers["Location"] == f"/knees/{cast.knee.uuid}/"
    assert "no-store" in response.headers["Cache-Control"]
    assert not IdentityView.objects.exists()


def test_several_knees_are_listed(cast: Cast) -> None:
    """Also one in which a tear was removed and none repaired."""
    right = Knee(patient=known(cast), side="right")
    record(right)
    removed = factories.an_operation(cast.unit, cast.oak, right, operated_on=date(2024, 5, 2))
    record(Tear(procedure=removed, meniscus="medial", pattern="radial", treatment="removed"))
    response = find(cast)
    page = text(response)
    assert response.status_code == 200
    assert "no-store" in response.headers["Cache-Control"]
    for knee, day in ((cast.knee, "1 Mar 2024"), (right, "2 May 2024")):
        line = page.split(f'href="/knees/{knee.uuid}/"')[1].split("</li>")[0]
        assert f"operated on {day}" in line


def test_the_same_number_in_two_units_is_two_patients(cast: Cast) -> None:
    known(cast)
    record(Membership(user=cast.surgeon, unit=cast.other_unit, role="clinician"))
    yew = factories.a_surgeon(cast.other_unit, "yew")
    theirs = factories.an_operation(cast.other_unit, yew)
    record(Identity.sealed(theirs.knee.patient, hospital_number=NUMBER))
    page = text(find(cast))
    assert all(f"/knees/{knee.uuid}/" in page for knee in (cast.knee, theirs.knee))
    assert "Northmere Hospital" in page
    assert "Southmere Hospital" in page


@pytest.mark.parametrize("who", ["surgeon", "stranger"])
def test_none_is_said_in_words_and_another_units_patient_is_none(cast: Cast, who: str) -> None:
    known(cast)
    response = find(cast, who, NUMBER if who == "stranger" else "NM 0043")
    assert response.status_code == 200
    assert NONE in text(response)


def test_a_number_left_empty_is_asked_for(cast: Cast) -> None:
    response = find(cast, number=" ")
    assert response.status_code == 422
    assert "Hospital number is missing. Enter it." in text(response)


def test_the_number_is_told_nowhere(cast: Cast, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        missed = find(cast, number="XQ-7781")
        known(cast, "XQ-7781")
        found = cast.client("surgeon").post("/find/", {"hospital_number": "XQ-7781"}, follow=True)
    assert found.redirect_chain == [(f"/knees/{cast.knee.uuid}/", 302)]
    assert not [page for page in (missed, found) if "7781" in page.content.decode()]
    assert not [line for line in caplog.messages if "7781" in line]


@pytest.mark.parametrize(("who", "status"), [("coordinator", 403), ("administrator", 403), ("nobody", 302)])
def test_it_is_closed_to_others(cast: Cast, who: str, status: int) -> None:
    known(cast)
    response = find(cast, who)
    assert response.status_code == status
    assert str(cast.knee.uuid) not in response.headers.get("Location", "")


def test_a_number_never_stands_in_an_address(cast: Cast) -> None:
    assert cast.client("surgeon").get("/find/", {"hospital_number": NUMBER}).status_code == 405


def test_a_unit_renamed_still_finds_its_patients(cast: Cast) -> None:
    known(cast)
    factories.corrected(cast.unit, code="northmere-new")
    assert find(cast).headers["Location"] == f"/knees/{cast.knee.uuid}/"
