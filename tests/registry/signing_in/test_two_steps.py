"""Signing in takes the password and then a code; before the code nobody is signed in."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.test import Client

from registry.models import AccountEvent, RecoveryCode, SecondFactor
from registry.signing_in import recovery
from tests.conftest import Cast
from tests.factories import PASSWORD
from tests.registry.pages.entries import text
from tests.registry.signing_in.people import code_now, half_way_in, is_in, signed_in_with, with_factor

pytestmark = [pytest.mark.usefixtures("quick_passwords"), pytest.mark.any_engine]

NOON = datetime(2026, 3, 1, 12, 0, 10, tzinfo=UTC)
CODE = "/sign-in/code/"


@pytest.fixture
def factor(cast: Cast) -> SecondFactor:
    return with_factor(cast.surgeon)


def test_password_then_code_leads_to_where_one_was_going(cast: Cast, factor: SecondFactor) -> None:
    story = f"/knees/{cast.knee.uuid}/"
    client = half_way_in("oak", then=story)
    assert not is_in(client), "the password alone opens nothing"
    assert f'name="next" value="{story}"' in text(client.get(f"{CODE}?next={story}"))
    answer = client.post(CODE, {"code": code_now(), "next": story})
    assert answer.headers["Location"] == story
    assert is_in(client)


def test_an_address_elsewhere_is_not_followed(cast: Cast, factor: SecondFactor) -> None:
    client = half_way_in("oak")
    for elsewhere in ("https://elsewhere.example.org/", "//elsewhere.example.org/", "javascript:alert(1)"):
        assert "elsewhere" not in text(client.get(CODE, {"next": elsewhere}))
    answer = client.post(CODE, {"code": code_now(), "next": "https://elsewhere.example.org/"})
    assert answer.headers["Location"] == "/"


def test_a_wrong_code_leaves_one_outside(cast: Cast, factor: SecondFactor) -> None:
    client = half_way_in("oak")
    answer = client.post(CODE, {"code": code_now(steps=7)})
    assert "not a code of now" in text(answer)
    assert not is_in(client)
    assert AccountEvent.objects.filter(user=cast.surgeon, kind="refused").count() == 1


def test_a_code_is_good_for_one_sign_in(cast: Cast, factor: SecondFactor) -> None:
    code = code_now()
    half_way_in("oak").post(CODE, {"code": code})
    client = half_way_in("oak")
    assert "was used already" in text(client.post(CODE, {"code": code}))
    assert not is_in(client)


def test_a_recovery_code_lets_in_once(cast: Cast, factor: SecondFactor) -> None:
    client = signed_in_with(factor)
    codes = client.post("/account/second-factor/recovery-codes/").context["codes"]
    first = half_way_in("oak")
    answer = first.post(CODE, {"recovery_code": f" {codes[3].lower().replace('-', ' ')} "}, follow=True)
    assert is_in(first)
    assert "9 left" in text(answer)
    second = half_way_in("oak")
    assert "none of your recovery codes" in text(second.post(CODE, {"recovery_code": codes[3]}))
    assert not is_in(second)
    assert AccountEvent.objects.filter(user=cast.surgeon, kind="code_used").count() == 1


def test_nobody_gets_in_with_the_recovery_code_of_another(cast: Cast, factor: SecondFactor) -> None:
    RecoveryCode.objects.create(user=cast.colleague, digest=recovery.digest("ABCD-EFGH"))
    client = half_way_in("oak")
    client.post(CODE, {"recovery_code": "ABCD-EFGH"})
    assert not is_in(client)
    assert RecoveryCode.objects.get().used_at is None


@pytest.mark.parametrize(("minutes", "seconds", "is_open"), [(4, 59, True), (5, 0, False), (-1, 0, False)])
def test_the_second_step_waits_five_minutes(
    cast: Cast, factor: SecondFactor, minutes: int, seconds: int, is_open: bool
) -> None:
    with time_machine.travel(NOON, tick=False) as clock:
        client = half_way_in("oak")
        clock.shift(timedelta(minutes=minutes, seconds=seconds))
        client.post(CODE, {"code": code_now()})
        assert is_in(client) is is_open


def test_the_code_page_alone_leads_back_to_the_password(cast: Cast, factor: SecondFactor) -> None:
    answer = Client().post(CODE, {"code": code_now(), "next": "/due/"})
    assert answer.headers["Location"] == "/sign-in/?next=%2Fdue%2F"


def test_an_account_closed_between_the_steps_stays_closed(cast: Cast, factor: SecondFactor) -> None:
    client = half_way_in("oak")
    type(cast.surgeon).objects.filter(pk=cast.surgeon.pk).update(is_active=False)
    client.post(CODE, {"code": code_now()})
    assert not is_in(client)


def test_the_session_gets_another_key_at_each_step(cast: Cast, factor: SecondFactor) -> None:
    client = Client()
    client.get("/sign-in/")
    client.session.save()
    keys = [client.session.session_key]
    client.cookies["sessionid"] = keys[0]
    client.post("/sign-in/", {"username": "oak", "password": PASSWORD})
    keys.append(client.session.session_key)
    client.post(CODE, {"code": code_now()})
    keys.append(client.session.session_key)
    assert is_in(client)
    assert len(set(keys)) == 3
    for known_before in keys[:2]:
        other = Client()
        other.cookies["sessionid"] = known_before
        assert not is_in(other)


def test_the_half_way_state_holds_a_key_a_moment_and_a_digest_only(cast: Cast, factor: SecondFactor) -> None:
    held = half_way_in("oak").session["half way in"]
    assert set(held) == {"person", "at", "password"}
    assert held["person"] == cast.surgeon.pk
    assert held["password"] == cast.surgeon.get_session_auth_hash()


def test_a_new_password_ends_what_was_begun_with_the_old(cast: Cast, factor: SecondFactor) -> None:
    client = half_way_in("oak")
    cast.surgeon.set_password("crescent-walnut-74")
    cast.surgeon.save()
    assert client.post(CODE, {"code": code_now()}).headers["Location"] == "/sign-in/"
    assert not is_in(client)


def test_browsers_are_told_what_each_control_is(cast: Cast, factor: SecondFactor) -> None:
    sign_in = text(Client().get("/sign-in/"))
    assert 'autocomplete="username"' in sign_in
    assert 'autocomplete="current-password"' in sign_in
    assert "onpaste" not in sign_in
    assert 'autocomplete="one-time-code"' in text(half_way_in("oak").get(CODE))
