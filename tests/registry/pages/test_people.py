"""The people of a unit: invitations, roles, closed accounts, ways back; how far an administrator reaches."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.test import Client, RequestFactory
from django.utils import timezone

from registry.access import unit_for
from registry.models import AccountEvent, Invitation, Membership, Unit, User
from registry.pages.people import page as people_page
from registry.pages.people import person as person_page
from registry.signing_in import invitations
from registry.signing_in import people as acts
from registry.signing_in.invitations import digest_of
from registry.signing_in.managing import Refused
from registry.vocabulary import Role
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text
from tests.registry.signing_in.people import is_in, try_password, with_factor

PEOPLE = "/units/northmere/people/"
REQUEST = RequestFactory().post("/")


def of(person: User, act: str = "") -> str:
    return f"{PEOPLE}{person.pk}/{act}"


def roles(person: User, unit: str = "northmere") -> list[str]:
    held = Membership.objects.filter(user=person, unit__code=unit)
    return list(held.order_by("role").values_list("role", flat=True))


def told(client: Client, address: str, **sent: Any) -> str:
    """What the page says after an act."""
    return text(client.post(address, sent, follow=True))


@pytest.fixture
def shared(cast: Cast) -> User:
    """The surgeon, who also works in the other unit."""
    Membership.objects.create(user=cast.surgeon, unit=cast.other_unit, role="surgeon")
    return cast.surgeon


# --- The list -------------------------------------------------------------------------------------


def test_the_list_tells_roles_sign_ins_second_factors_and_closed_accounts(cast: Cast) -> None:
    with_factor(cast.surgeon)
    User.objects.filter(pk=cast.colleague.pk).update(is_active=False)
    page = cast.client("administrator").get(PEOPLE).content.decode()
    rows = {
        name: " ".join(page.split(f">{name}</a>")[1].split("</tr>")[0].split())
        for name in ("oak", "elm", "lead")
    }
    assert ("Set up" in rows["oak"], "Set up" in rows["elm"]) == (True, False)
    assert ("Closed" in rows["elm"], "Closed" in rows["oak"]) == (True, False)
    assert "Audit lead" in rows["lead"]
    assert "Never" in rows["lead"]
    assert ">stranger</a>" not in page


def test_the_unit_leads_to_its_people(cast: Cast) -> None:
    assert f'href="{PEOPLE}"' in text(cast.client("administrator").get("/units/northmere/"))


def test_the_list_asks_no_more_the_more_people_there_are(
    cast: Cast, django_assert_max_num_queries: Any
) -> None:
    for number in range(12):
        factories.a_person(f"p{number}", ("clinician", cast.unit), ("surgeon", cast.unit))
    client = cast.client("administrator")
    client.get(PEOPLE)
    with django_assert_max_num_queries(12):
        client.get(PEOPLE)


# --- Inviting -------------------------------------------------------------------------------------


def test_a_link_is_shown_once_and_can_be_taken_back(cast: Cast) -> None:
    client = cast.client("administrator")
    answer = client.post(f"{PEOPLE}invite/", {"label": "Dr Reed", "roles": ["surgeon"]})
    link = answer.content.decode().split("<code>")[1].split("</code>")[0]
    assert link.startswith("http://testserver/invited/")
    row = Invitation.objects.get()
    assert row.digest == digest_of(link.split("/")[-2])
    assert (row.unit, row.roles, row.label, row.made_by) == (
        cast.unit,
        ["surgeon"],
        "Dr Reed",
        cast.administrator,
    )
    page = text(client.get(PEOPLE))
    assert "Dr Reed" in page
    assert link not in page
    assert Client().get(link).status_code == 200
    assert "taken back" in told(client, f"{PEOPLE}invitations/{row.uuid}/take-back/")
    assert Client().get(link).status_code == 404
    assert "opened nothing any more" in told(client, f"{PEOPLE}invitations/{row.uuid}/take-back/")
    assert AccountEvent.objects.get(kind="invited").about == "Dr Reed, Northmere Hospital"


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        ({"label": "", "roles": ["surgeon"]}, "Who is invited is missing"),
        ({"label": "Dr Reed"}, "Roles is missing"),
        ({"label": "Dr Reed", "roles": ["king"]}, "king"),
    ],
)
def test_an_invitation_needs_somebody_and_roles(cast: Cast, sent: dict[str, Any], words: str) -> None:
    answer = cast.client("administrator").post(f"{PEOPLE}invite/", sent)
    assert answer.status_code == 422
    assert words in text(answer)
    assert not Invitation.objects.exists()


# --- Roles ----------------------------------------------------------------------------------------


def test_roles_are_given_and_taken_and_each_is_in_the_log(cast: Cast) -> None:
    client = cast.client("administrator")
    assert "are changed" in told(client, of(cast.surgeon), roles=["clinician", "audit_lead"])
    assert roles(cast.surgeon) == ["audit_lead", "clinician"]
    events = AccountEvent.objects.filter(user=cast.surgeon, kind__startswith="role").order_by("kind", "about")
    assert [(event.kind, event.about, event.by) for event in events] == [
        ("role_given", "Audit lead, Northmere Hospital", cast.administrator),
        ("role_given", "Follow-up clinician, Northmere Hospital", cast.administrator),
        ("role_taken", "Surgeon, Northmere Hospital", cast.administrator),
    ]
    assert "Nothing was changed" in told(client, of(cast.surgeon), roles=["clinician", "audit_lead"])


def test_the_last_administrator_stays_one(cast: Cast) -> None:
    client = cast.client("administrator")
    assert "would have no administrator" in told(client, of(cast.administrator), roles=["surgeon"])
    assert "would have no administrator" in told(client, of(cast.administrator, "close/"))
    assert roles(cast.administrator) == ["administrator"]
    assert is_in(client)
    assert not AccountEvent.objects.filter(kind__in=["role_taken", "role_given", "closed"]).exists()


def test_an_administrator_who_cannot_sign_in_does_not_count(cast: Cast) -> None:
    closed = factories.a_person("closed", ("administrator", cast.unit))
    User.objects.filter(pk=closed.pk).update(is_active=False)
    said = told(cast.client("administrator"), of(cast.administrator), roles=[])
    assert "would have no administrator" in said


def test_one_of_two_administrators_may_go_and_their_links_with_them(cast: Cast) -> None:
    factories.a_person("second", ("administrator", cast.unit))
    client = cast.client("administrator")
    client.post(f"{PEOPLE}invite/", {"label": "Dr Reed", "roles": ["surgeon"]})
    answer = client.post(of(cast.administrator), {"roles": ["surgeon"]})
    assert answer.headers["Location"] == "/"
    assert roles(cast.administrator) == ["surgeon"]
    assert Invitation.objects.get().taken_back_at is not None


def test_roles_elsewhere_are_not_touched(cast: Cast, shared: User) -> None:
    told(cast.client("administrator"), of(shared), roles=[])
    assert (roles(shared), roles(shared, "southmere")) == ([], ["surgeon"])


# --- Closing --------------------------------------------------------------------------------------


def test_a_closed_account_is_out_and_can_be_opened_again(cast: Cast) -> None:
    surgeon, client = cast.client("surgeon"), cast.client("administrator")
    assert "is closed" in told(client, of(cast.surgeon, "close/"))
    assert not is_in(surgeon)
    assert "enter a correct" in text(try_password("oak", factories.PASSWORD))
    assert roles(cast.surgeon) == ["surgeon"]
    assert "The account is closed. Open it first." in told(client, of(cast.surgeon), roles=["clinician"])
    assert "The account is closed" in told(client, of(cast.surgeon, "way-back/"))
    assert "is open again" in told(client, of(cast.surgeon, "open/"))
    cast.client("surgeon")
    kinds = AccountEvent.objects.filter(user=cast.surgeon, by=cast.administrator).order_by("pk")
    assert [event.kind for event in kinds] == ["closed", "opened"]


def test_of_an_account_that_reaches_elsewhere_only_the_roles_here_are_taken(cast: Cast, shared: User) -> None:
    client = cast.client("administrator")
    assert "ask there. Ask an administrator of Southmere Hospital" in text(client.get(of(shared)))
    assert "the account stays open" in told(client, of(shared, "close/"))
    shared.refresh_from_db()
    assert shared.is_active
    assert (roles(shared), roles(shared, "southmere")) == ([], ["surgeon"])


def test_who_manages_both_units_may_close_it(cast: Cast, shared: User) -> None:
    Membership.objects.create(user=cast.administrator, unit=cast.other_unit, role="administrator")
    assert "is closed" in told(cast.client("administrator"), of(shared, "close/"))


def test_nobody_opens_an_account_into_another_unit(cast: Cast, shared: User) -> None:
    User.objects.filter(pk=shared.pk).update(is_active=False)
    said = told(cast.client("administrator"), of(shared, "open/"))
    assert "Ask an administrator of Southmere Hospital" in said
    shared.refresh_from_db()
    assert not shared.is_active


# --- The way back ---------------------------------------------------------------------------------


def test_a_way_back_is_a_link_shown_once(cast: Cast) -> None:
    answer = cast.client("administrator").post(of(cast.surgeon, "way-back/"))
    link = answer.content.decode().split("<code>")[1].split("</code>")[0]
    assert "Back into your account" in text(Client().get(link))
    assert AccountEvent.objects.get(user=cast.surgeon, kind="invited").by == cast.administrator


def test_no_way_back_leads_into_a_unit_of_others(cast: Cast, shared: User) -> None:
    client = cast.client("administrator")
    assert "Make a way back" not in text(client.get(of(shared)))
    said = told(client, of(shared, "way-back/"))
    assert "would lead in there too. Ask an administrator of Southmere Hospital" in said
    assert not Invitation.objects.exists()


# --- Judged when it is done -----------------------------------------------------------------------

# Acts of an administrator, who may have lost the unit since the page let them in.
DONE: dict[str, Callable[[Cast], Any]] = {
    "roles": lambda cast: acts.set_roles(
        cast.unit, cast.surgeon, {Role.CLINICIAN}, cast.administrator, REQUEST
    ),
    "close": lambda cast: acts.close(cast.unit, cast.surgeon, cast.administrator, REQUEST),
    "reopen": lambda cast: acts.reopen(cast.unit, cast.colleague, cast.administrator, REQUEST),
    "invite": lambda cast: invitations.invite(cast.unit, [Role.SURGEON], "Dr Reed", cast.administrator),
    "way back": lambda cast: invitations.way_back(cast.unit, cast.surgeon, cast.administrator),
}


def lost_role(cast: Cast) -> None:
    Membership.objects.get(user=cast.administrator).delete()


def closed_meanwhile(cast: Cast) -> None:
    User.objects.filter(pk=cast.administrator.pk).update(is_active=False)


@pytest.mark.parametrize("lose", [lost_role, closed_meanwhile])
@pytest.mark.parametrize("act", DONE)
def test_who_manages_the_unit_no_more_does_nothing(
    cast: Cast, act: str, lose: Callable[[Cast], None]
) -> None:
    factories.a_person("second", ("administrator", cast.unit))
    User.objects.filter(pk=cast.colleague.pk).update(is_active=False)
    lose(cast)
    with pytest.raises(Refused, match=r"You do not manage Northmere Hospital any more\."):
        DONE[act](cast)
    assert not AccountEvent.objects.exists()
    assert not Invitation.objects.exists()
    assert roles(cast.surgeon) == ["surgeon"]
    assert set(User.objects.filter(is_active=False)) <= {cast.colleague, cast.administrator}
    assert not User.objects.get(pk=cast.colleague.pk).is_active


@pytest.mark.parametrize("act", ["invite/", *(f"person/{act}" for act in ("", "way-back/", "close/"))])
def test_the_page_says_so_and_leads_away(cast: Cast, act: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def let_in_just_before(*asked: Any) -> Unit:
        unit = unit_for(*asked)
        lost_role(cast)
        return unit

    client = cast.client("administrator")
    for asks_first in (people_page, person_page):
        monkeypatch.setattr(asks_first, "unit_for", let_in_just_before)
    address = PEOPLE + act.replace("person/", f"{cast.surgeon.pk}/")
    answer = client.post(address, {"label": "Dr Reed", "roles": ["clinician"]}, follow=True)
    assert answer.redirect_chain == [("/", 302)]
    assert "You do not manage Northmere Hospital any more" in text(answer)


def test_an_account_is_opened_with_its_entry_in_the_log_or_not_at_all(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: Any) -> None:
        raise ValueError

    User.objects.filter(pk=cast.surgeon.pk).update(is_active=False)
    monkeypatch.setattr(acts, "note", fails)
    with pytest.raises(ValueError):  # noqa: PT011 - what it says does not matter
        acts.reopen(cast.unit, cast.surgeon, cast.administrator, REQUEST)
    assert not User.objects.get(pk=cast.surgeon.pk).is_active


def test_with_the_role_go_ways_back_made_anywhere(cast: Cast) -> None:
    """Each leads into every unit of its person; an invitation leads into its own alone."""
    factories.a_person("second", ("administrator", cast.unit))
    Membership.objects.create(user=cast.administrator, unit=cast.other_unit, role="administrator")
    invitations.way_back(cast.other_unit, cast.stranger, cast.administrator)
    invitations.invite(cast.other_unit, [Role.SURGEON], "Dr Yew", cast.administrator)
    invitations.invite(cast.unit, [Role.SURGEON], "Dr Reed", cast.administrator)
    acts.set_roles(cast.unit, cast.administrator, set(), cast.administrator, REQUEST)
    standing = invitations.standing().values_list("label", flat=True)
    assert list(standing) == ["Dr Yew"]


# --- Who may --------------------------------------------------------------------------------------

ACTS = ["", "way-back/", "close/", "open/"]


@pytest.mark.parametrize("act", ACTS)
def test_people_of_another_unit_are_not_there(cast: Cast, act: str) -> None:
    assert cast.client("administrator").post(of(cast.stranger, act), {"roles": []}).status_code == 404
    assert roles(cast.stranger, "southmere") == ["surgeon"]


@pytest.mark.parametrize("act", ["", "invite/", *(f"person/{act}" for act in ACTS)])
@pytest.mark.parametrize(("who", "status"), [("surgeon", 403), ("stranger", 404)])
def test_only_the_units_administrators_come_here(cast: Cast, act: str, who: str, status: int) -> None:
    address = PEOPLE + act.replace("person/", f"{cast.colleague.pk}/")
    client = cast.client(who)
    sent = {"roles": ["administrator"], "label": "me"}
    assert client.post(address, sent).status_code == status
    assert not Invitation.objects.exists()
    assert roles(cast.colleague) == ["surgeon"]


def test_an_invitation_of_another_unit_is_not_there(cast: Cast) -> None:
    elsewhere = factories.a_person("far", ("administrator", cast.other_unit))
    client = Client()
    client.force_login(elsewhere)
    client.post("/units/southmere/people/invite/", {"label": "x", "roles": [Role.SURGEON]})
    row = Invitation.objects.get()
    answer = cast.client("administrator").post(f"{PEOPLE}invitations/{row.uuid}/take-back/")
    assert answer.status_code == 404
    row.refresh_from_db()
    assert row.taken_back_at is None


@pytest.mark.parametrize("act", ["invite/", *(f"person/{act}" for act in ACTS)])
def test_who_signed_in_long_ago_confirms_first(cast: Cast, act: str) -> None:
    client, address = cast.client("administrator"), PEOPLE + act.replace("person/", f"{cast.surgeon.pk}/")
    with time_machine.travel(timezone.now() + timedelta(minutes=20)):
        answer = client.post(address, {"label": "Dr Reed", "roles": ["clinician"]})
    assert answer.status_code == 403
    assert "Confirm that it is you" in text(answer)
    assert not Invitation.objects.exists()
    assert roles(cast.surgeon) == ["surgeon"]
