"""Who may see and do what, beside the matrix of every address and role in tests/security."""

from uuid import uuid4

import pytest
from django.contrib.auth.models import AnonymousUser

from registry.access import Action, actions_of, knees_for, surgeons_of, surgeons_shown, units_for
from registry.models import Membership
from registry.recording import record
from registry.vocabulary import Role
from tests import factories
from tests.conftest import Cast

TODAY, STORY, OPERATION, EVENT = "/", "/knees/{knee}/", "/operations/new/", "/knees/{knee}/record/visit/"
READINGS, LOTS, UNIT, COMPLETENESS = "/readings/", "/lots/", "/units/northmere/", "/completeness/"
DUE, DRIFTING, INTAKE = "/due/", "/due/drifting/", "/intake/"
SIGN_IN = 302


@pytest.mark.parametrize(
    ("who", "status"),
    [("colleague", 403), ("clinician", 403), ("audit_lead", 403), ("coordinator", 404), ("stranger", 404)],
)
def test_an_operation_is_signed_by_who_operated(cast: Cast, who: str, status: int) -> None:
    address = f"/knees/{cast.knee.uuid}/operations/{cast.repair.tear.procedure.uuid}/sign/"
    assert cast.client(who).post(address).status_code == status
    assert cast.client("nobody").post(address).headers["Location"] == f"/sign-in/?next={address}"
    assert cast.client("surgeon").post(address).headers["Location"] == f"/knees/{cast.knee.uuid}/"


@pytest.mark.parametrize("who", ["surgeon", "stranger"])
def test_a_knee_that_does_not_exist_looks_like_one_of_another_unit(cast: Cast, who: str) -> None:
    response = cast.client(who).get(f"/knees/{uuid4()}/")
    assert response.status_code == 404
    foreign = cast.client("stranger").get(f"/knees/{cast.knee.uuid}/")
    assert foreign.status_code == 404


def test_a_kind_of_event_that_does_not_exist(cast: Cast) -> None:
    assert cast.client("surgeon").get(f"/knees/{cast.knee.uuid}/record/second-thoughts/").status_code == 404


def test_an_account_closed_loses_its_session(cast: Cast) -> None:
    client = cast.client("surgeon")
    cast.surgeon.is_active = False
    cast.surgeon.save()
    assert client.get("/").status_code == SIGN_IN
    assert not units_for(cast.surgeon, Action.SEE_RECORD)
    assert actions_of(cast.surgeon) == set()


def test_a_role_opens_its_own_unit_only(cast: Cast) -> None:
    record(Membership(user=cast.surgeon, unit=cast.other_unit, role=Role.COORDINATOR))
    assert list(units_for(cast.surgeon, Action.SEE_RECORD)) == [cast.unit]
    assert list(units_for(cast.surgeon, Action.RELEASE)) == [cast.other_unit]
    assert set(units_for(cast.surgeon, Action.SEE_FIGURES)) == {cast.unit, cast.other_unit}


def test_two_roles_in_one_unit_give_the_unit_once(cast: Cast) -> None:
    record(Membership(user=cast.surgeon, unit=cast.unit, role=Role.AUDIT_LEAD))
    assert list(units_for(cast.surgeon, Action.SEE_RECORD)) == [cast.unit]


def test_a_knee_operated_on_in_two_units_is_seen_by_both(cast: Cast) -> None:
    yew = factories.a_surgeon(cast.other_unit, "yew")
    factories.an_operation(
        cast.other_unit, yew, cast.knee, operated_on=factories.OPERATED_ON.replace(year=2025)
    )
    assert list(knees_for(cast.stranger)) == [cast.knee]
    assert list(knees_for(cast.surgeon)) == [cast.knee]
    story = cast.client("stranger").get(f"/knees/{cast.knee.uuid}/").content.decode()
    # By name within one's own unit, by code beyond it.
    assert "Dr Yew" in story
    assert "Dr Oak" not in story


def test_whose_results_a_person_sees_by_name(cast: Cast) -> None:
    elm = factories.a_surgeon(cast.unit, "elm", cast.colleague)
    factories.a_surgeon(cast.other_unit, "yew")
    assert list(surgeons_shown(cast.surgeon)) == [cast.oak]
    assert list(surgeons_shown(cast.audit_lead)) == []
    for unit in (cast.unit, cast.other_unit):
        factories.corrected(unit, lead_sees_surgeon_results=True)
    assert list(surgeons_shown(cast.audit_lead)) == [elm, cast.oak]
    assert list(surgeons_shown(cast.surgeon)) == [cast.oak]
    assert list(surgeons_shown(cast.clinician)) == []
    cast.audit_lead.is_active = False
    assert list(surgeons_shown(cast.audit_lead)) == []
    assert list(surgeons_shown(AnonymousUser())) == []


def test_the_page_of_what_is_not_allowed_says_whom_to_ask(cast: Cast) -> None:
    page = cast.client("clinician").get(OPERATION).content.decode()
    assert "ask your unit&#x27;s administrator" in page or "ask your unit's administrator" in page
    assert "under Unit" not in page


def test_surgeons_of_several_units_come_once(cast: Cast) -> None:
    cast.oak.units.add(cast.other_unit)
    assert list(surgeons_of([cast.unit, cast.other_unit])) == [cast.oak]


@pytest.mark.parametrize(
    "path",
    [
        *(TODAY, STORY, OPERATION, EVENT, "/knees/{knee}/standing/", "/repairs/", READINGS, LOTS),
        *(COMPLETENESS, DUE, DRIFTING, INTAKE, "/knees/{knee}/due/"),
    ],
    ids=str,
)
def test_pages_with_patients_on_them_are_kept_by_no_cache(cast: Cast, path: str) -> None:
    response = cast.client("surgeon").get(path.format(knee=cast.knee.uuid))
    assert "no-store" in response.headers["Cache-Control"]
