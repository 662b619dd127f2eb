"""Before identities and releases one shows again who one is, and loses nothing that was typed."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.test import Client

from registry.models import AccessKey, AccountEvent, IdentityView, SecondFactor
from tests.conftest import Cast
from tests.factories import PASSWORD
from tests.registry.pages.entries import text
from tests.registry.signing_in.people import code_now, with_factor

pytestmark = [pytest.mark.usefixtures("quick_passwords"), pytest.mark.any_engine]

NOON = datetime(2026, 3, 1, 12, 0, 10, tzinfo=UTC)
SET_UP = "/account/second-factor/set-up/"
ASKED = "<h1>Confirm that it is you</h1>"
WITHIN, AFTER = timedelta(minutes=14, seconds=59), timedelta(minutes=15)


@pytest.fixture
def clock() -> Iterator[time_machine.Traveller]:
    with time_machine.travel(NOON, tick=False) as traveller:
        yield traveller


def identity(cast: Cast) -> str:
    return f"/knees/{cast.knee.uuid}/identity/"


def test_whoever_signed_in_lately_is_not_asked(cast: Cast, clock: time_machine.Traveller) -> None:
    client = cast.client("surgeon")
    clock.shift(WITHIN)
    assert client.get(identity(cast)).status_code == 200


def test_others_are_asked_and_go_on_to_where_they_wanted(cast: Cast, clock: time_machine.Traveller) -> None:
    client = cast.client("surgeon")
    clock.shift(AFTER)
    asked = client.get(f"{identity(cast)}?from=story")
    assert asked.headers["Location"].startswith("/confirm/?next=%2Fknees%2F")
    assert ASKED in text(client.get(asked.headers["Location"]))
    page = text(client.get(asked.headers["Location"]))
    then = re.search(r'name="next" value="([^"]+)"', page)
    assert then
    before = client.session.session_key
    answer = client.post("/confirm/", {"confirm-password": PASSWORD, "next": then[1]})
    assert answer.headers["Location"] == f"{identity(cast)}?from=story"
    assert client.get(identity(cast)).status_code == 200
    assert client.session.session_key != before, "OWASP ASVS 5.0, 7.2.4"
    assert AccountEvent.objects.filter(user=cast.surgeon, kind="confirmed").count() == 1


def test_every_page_that_asks(cast: Cast, clock: time_machine.Traveller) -> None:
    own = [identity(cast), "/access-keys/", "/account/second-factor/set-up/"]
    surgeon, coordinator = cast.client("surgeon"), cast.client("coordinator")
    administrator = cast.client("administrator")
    clock.shift(AFTER)
    for address in own:
        assert surgeon.get(address).headers["Location"].startswith("/confirm/")
    any_release = "/releases/00000000-0000-4000-8000-000000000000"
    for address in (
        "/releases/new/", "/releases/counts/", f"{any_release}/package.zip", f"{any_release}/report.html"
    ):  # fmt: skip
        assert coordinator.get(address).headers["Location"].startswith("/confirm/"), address
    for address in ("settings/", "surgeons/", "surgeons/oak/"):
        asked = administrator.get(f"/units/northmere/{address}")
        assert asked.headers["Location"].startswith("/confirm/"), address
    making = "/releases/making/00000000-0000-4000-8000-000000000000/confirm/"
    for client, address in (
        (surgeon, f"{identity(cast)}correct/"),
        (surgeon, "/account/second-factor/take-off/"),
        (surgeon, "/account/second-factor/recovery-codes/"),
        (coordinator, making),
    ):
        answer = client.post(address)
        assert answer.status_code == 403, address
        assert ASKED in text(answer)


def test_what_was_sent_too_late_comes_back_and_goes_on_its_way(
    cast: Cast, clock: time_machine.Traveller
) -> None:
    client = cast.client("surgeon")
    clock.shift(AFTER)
    late = client.post(identity(cast), {"reason": 'a "call" & <b>'})
    assert late.status_code == 403
    assert "nothing you typed is lost" in text(late)
    assert 'value="a &quot;call&quot; &amp; &lt;b&gt;"' in text(late)
    assert not IdentityView.objects.exists()
    sent = {"reason": "a call", "confirm-password": "wrong"}
    wrong = client.post(identity(cast), sent)
    assert wrong.status_code == 422
    assert "The password is not right." in text(wrong)
    assert 'name="reason" value="a call"' in text(wrong)
    assert "wrong&quot;" not in text(wrong)
    right = client.post(identity(cast), {**sent, "confirm-password": PASSWORD})
    assert right.status_code == 200
    assert IdentityView.objects.get().reason == "a call"


def test_several_values_of_one_name_come_back_each(cast: Cast, clock: time_machine.Traveller) -> None:
    client = cast.client("surgeon")
    clock.shift(AFTER)
    typed = {"label": "Reports", "days": "9", "scopes": ["record:read", "figures:read"]}
    late = client.post("/access-keys/", typed)
    assert re.findall(r'type="hidden" name="(\w+)" value="([\w:]+)"', text(late))[-4:] == [
        ("label", "Reports"), ("days", "9"), ("scopes", "record:read"), ("scopes", "figures:read"),
    ]  # fmt: skip
    assert not AccessKey.objects.exists()


def test_with_a_second_factor_both_are_asked_for_and_neither_is_told_apart(
    cast: Cast, clock: time_machine.Traveller
) -> None:
    with_factor(cast.surgeon)
    client = cast.client("surgeon")
    clock.shift(AFTER)

    def answered(password: str, code: str) -> tuple[int, str]:
        sent = {"confirm-password": password, "confirm-code": code}
        answer = client.post("/confirm/", sent)
        clock.shift(timedelta(seconds=30))
        return answer.status_code, "".join(re.findall(r"<li>(.*)</li>", text(answer)))

    only_code = answered("wrong", code_now())
    only_password = answered(PASSWORD, code_now(steps=9))
    assert only_code == only_password
    assert only_code[0] == 422
    assert client.get(identity(cast)).status_code == 302
    assert answered(PASSWORD, code_now())[0] == 302
    assert client.get(identity(cast)).status_code == 200


def test_a_session_that_showed_the_password_alone_shows_the_factor_before_it_changes_it(cast: Cast) -> None:
    """However lately it signed in: who has found out the password must not put their own phone in place."""
    client = cast.client("surgeon")
    assert client.get(SET_UP).status_code == 200
    factor = with_factor(cast.surgeon)
    for answer in (client.get(SET_UP), client.get(identity(cast))):
        assert answer.headers["Location"].startswith("/confirm/")
    for act in ("set-up", "take-off", "recovery-codes"):
        late = client.post(f"/account/second-factor/{act}/", {"code": "123456"})
        assert (late.status_code, ASKED in text(late)) == (403, True)
    assert SecondFactor.objects.get().sealed_key == factor.sealed_key
    client.post("/confirm/", {"confirm-password": PASSWORD, "confirm-code": code_now()})
    assert client.get(SET_UP).status_code == 200


def test_the_password_of_somebody_else_confirms_nothing(cast: Cast, clock: time_machine.Traveller) -> None:
    client = cast.client("surgeon")
    cast.colleague.set_password("another-of-twenty-1")
    cast.colleague.save()
    clock.shift(AFTER)
    answer = client.post("/confirm/", {"confirm-password": "another-of-twenty-1", "username": "elm"})
    assert answer.status_code == 422
    assert client.get(identity(cast)).status_code == 302


def test_wrong_tries_here_have_to_wait_as_at_sign_in(cast: Cast, clock: time_machine.Traveller) -> None:
    client = cast.client("surgeon")
    clock.shift(AFTER)
    statuses = [client.post("/confirm/", {"confirm-password": "wrong"}).status_code for _ in range(6)]
    assert statuses == [422] * 4 + [429] * 2
    assert client.post("/confirm/", {"confirm-password": PASSWORD}).status_code == 429


@pytest.mark.parametrize(
    "elsewhere", ["https://elsewhere.example.org/", "//elsewhere.example.org", "javascript:a"]
)
def test_an_address_elsewhere_is_not_followed(cast: Cast, elsewhere: str) -> None:
    client = cast.client("surgeon")
    assert elsewhere not in text(client.get("/confirm/", {"next": elsewhere}))
    answer = client.post("/confirm/", {"confirm-password": PASSWORD, "next": elsewhere})
    assert answer.headers["Location"] == "/"


def test_a_clock_set_back_does_not_stretch_the_time(cast: Cast, clock: time_machine.Traveller) -> None:
    client = cast.client("surgeon")
    clock.shift(timedelta(hours=-1))
    assert client.get(identity(cast)).status_code == 302


def test_a_fragment_leads_the_whole_page_to_the_question(cast: Cast, clock: time_machine.Traveller) -> None:
    client = cast.client("surgeon")
    clock.shift(AFTER)
    answer = client.get(identity(cast), headers={"HX-Request": "true"})
    assert answer.headers["HX-Redirect"].startswith("/confirm/")


def test_whoever_is_signed_out_is_asked_to_sign_in(cast: Cast) -> None:
    assert Client().get(identity(cast)).headers["Location"].startswith("/sign-in/")
    assert Client().get("/confirm/").headers["Location"].startswith("/sign-in/")
