"""Wrong tries have to wait: of one account from one address, and of one address. Nobody locks another out."""

import re
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from axes.models import AccessAttempt
from django.core.management import call_command
from django.db import connection
from django.test import Client, RequestFactory

from registry.models import AccountEvent, User
from registry.signing_in.lockout import ADDRESS_FACTOR, counted_address
from tests.conftest import Cast
from tests.factories import PASSWORD
from tests.registry.pages.entries import text
from tests.registry.signing_in.people import code_now, half_way_in, is_in, try_password, with_factor

pytestmark = [pytest.mark.usefixtures("quick_passwords"), pytest.mark.any_engine]

HERE, THERE = "192.0.2.1", "198.51.100.7"
NOON = datetime(2026, 3, 1, 12, 0, 10, tzinfo=UTC)
TRIES = 5
WAIT = "Too many wrong tries from here. Wait 15 minutes"


def held_off(username: str = "oak", address: str = HERE) -> None:
    """Wrong tries until more of them have to wait."""
    for _ in range(TRIES):
        try_password(username, "wrong", address)


def test_the_fifth_wrong_try_is_told_to_wait_and_so_is_the_right_password(cast: Cast) -> None:
    statuses = [try_password("oak", "wrong").status_code for _ in range(TRIES)]
    assert statuses == [200] * 4 + [429]
    right = try_password("oak", PASSWORD)
    assert right.status_code == 429
    assert WAIT in text(right)
    assert "<h1>Sign in</h1>" in text(right)


def test_from_another_address_the_same_account_stays_open(cast: Cast) -> None:
    held_off()
    assert try_password("oak", PASSWORD, THERE).status_code == 302
    assert try_password("oak", PASSWORD, HERE).status_code == 429


def test_from_the_same_address_other_accounts_stay_open(cast: Cast) -> None:
    held_off()
    assert try_password("elm", PASSWORD).status_code == 302


def test_another_browser_does_not_help(cast: Cast) -> None:
    for number in range(TRIES):
        try_password("oak", "wrong", User_Agent=f"Browser/{number}")
    assert try_password("oak", PASSWORD, User_Agent="Browser/9").status_code == 429


def test_an_account_that_does_not_exist_is_answered_alike(cast: Cast) -> None:
    def told(username: str, password: str) -> list[tuple[int, str]]:
        answers = [try_password(username, password) for _ in range(TRIES + 1)]
        pages = [re.sub(r'csrfmiddlewaretoken" value="\w+"', "", text(answer)) for answer in answers]
        return [
            (answer.status_code, page.replace(username, ""))
            for answer, page in zip(answers, pages, strict=True)
        ]

    User.objects.filter(username="elm").update(is_active=False)
    known = told("oak", "wrong")
    assert told("nobody-of-this-name", "wrong") == known
    assert told("elm", PASSWORD) == known, "a closed account with its right password"


def test_the_wait_ends(cast: Cast) -> None:
    with time_machine.travel(NOON, tick=False) as clock:
        held_off()
        clock.shift(timedelta(minutes=14, seconds=59))
        assert try_password("oak", PASSWORD).status_code == 429
        clock.shift(timedelta(seconds=2))
        assert try_password("oak", PASSWORD).status_code == 302


def test_trying_while_waiting_does_not_make_it_longer(cast: Cast) -> None:
    with time_machine.travel(NOON, tick=False) as clock:
        held_off()
        for _ in range(3):
            clock.shift(timedelta(minutes=5))
            try_password("oak", "wrong")
        clock.shift(timedelta(seconds=1))
        assert try_password("oak", PASSWORD).status_code == 302


def test_getting_in_starts_the_count_anew(cast: Cast) -> None:
    for _ in range(2):
        for _ in range(TRIES - 1):
            try_password("oak", "wrong")
        assert try_password("oak", PASSWORD).status_code == 302


def test_an_address_that_tries_account_after_account_has_to_wait(cast: Cast) -> None:
    before = {"username": "digests of others", "failures_since_start": TRIES * ADDRESS_FACTOR - 3}
    AccessAttempt.objects.create(ip_address=HERE, user_agent="", **before)
    statuses = [try_password(f"guess{number}", "wrong").status_code for number in range(3)]
    assert statuses == [200, 200, 429]
    assert try_password("elm", PASSWORD).status_code == 429
    assert try_password("elm", PASSWORD, THERE).status_code == 302


def test_getting_into_ones_own_account_does_not_clear_what_the_address_tried_on_others(cast: Cast) -> None:
    held_off("elm")
    before = AccessAttempt.objects.count()
    try_password("oak", "wrong")
    assert try_password("oak", PASSWORD).status_code == 302
    assert AccessAttempt.objects.count() == before


def test_wrong_codes_count_as_wrong_passwords_do(cast: Cast) -> None:
    with_factor(cast.surgeon)
    with time_machine.travel(NOON, tick=False) as clock:
        client = half_way_in("oak", HERE)
        statuses = []
        for _ in range(TRIES):
            statuses.append(client.post("/sign-in/code/", {"code": code_now(steps=9)}).status_code)
            clock.shift(timedelta(seconds=20))
        assert statuses == [200] * 4 + [429]
        late = client.post("/sign-in/code/", {"code": code_now()})
        assert late.status_code == 429
        assert WAIT in text(late)
        assert not is_in(client)
        elsewhere = half_way_in("oak", THERE)
        elsewhere.post("/sign-in/code/", {"code": code_now()})
        assert is_in(elsewhere)


def test_wrong_recovery_codes_count_too(cast: Cast) -> None:
    with_factor(cast.surgeon)
    client = half_way_in("oak", HERE)
    answers = [client.post("/sign-in/code/", {"recovery_code": f"WRONG-{n}"}) for n in range(TRIES + 1)]
    assert [answer.status_code for answer in answers] == [200] * 4 + [429] * 2
    assert WAIT in text(answers[-1])


def test_a_code_that_comes_too_soon_after_a_wrong_one_is_told_to_wait(cast: Cast) -> None:
    with_factor(cast.surgeon)
    with time_machine.travel(NOON, tick=False):
        client = half_way_in("oak", HERE)
        client.post("/sign-in/code/", {"code": code_now(steps=9)})
        assert "Wait 1 seconds" in text(client.post("/sign-in/code/", {"code": code_now()}))
        assert not is_in(client)


def test_nothing_that_was_typed_is_kept(cast: Cast) -> None:
    typed = "myownpassword-in-the-wrong-field"
    for _ in range(2):
        Client(REMOTE_ADDR=HERE).post(
            f"/sign-in/?next={typed}", {"username": typed, "password": typed, "code": typed, "more": typed}
        )
    with connection.cursor() as cursor:
        cursor.execute("SELECT * FROM axes_accessattempt")
        rows = cursor.fetchall()
    assert len(rows) == 1
    assert typed not in str(rows)
    assert not AccountEvent.objects.exists(), "a name that is nobody's has no entry"


def test_the_account_tells_of_it_once(cast: Cast) -> None:
    held_off()
    for _ in range(3):
        try_password("oak", "wrong")
    kinds = list(AccountEvent.objects.filter(user=cast.surgeon).values_list("kind", flat=True))
    assert sorted(kinds) == ["held_off"] + ["refused"] * TRIES


@pytest.mark.parametrize(
    "command", ["axes_reset", "axes_reset_username", "axes_reset_ip", "axes_reset_ip_username"]
)
def test_an_operator_ends_the_wait(cast: Cast, command: str, capsys: pytest.CaptureFixture[str]) -> None:
    held_off()
    told = {"axes_reset": [], "axes_reset_username": ["oak"], "axes_reset_ip": [HERE]}
    call_command(command, *told.get(command, [HERE, "oak"]))
    assert try_password("oak", PASSWORD).status_code == 302


@pytest.mark.parametrize(
    ("behind", "sent", "counted"),
    [
        (False, {"REMOTE_ADDR": HERE, "HTTP_X_FORWARDED_FOR": THERE}, HERE),
        (True, {"REMOTE_ADDR": "10.0.0.1", "HTTP_X_FORWARDED_FOR": f"203.0.113.9, {THERE}"}, THERE),
        (True, {"REMOTE_ADDR": HERE}, HERE),
        (True, {"REMOTE_ADDR": HERE, "HTTP_X_FORWARDED_FOR": "no address"}, None),
        (False, {"REMOTE_ADDR": ""}, None),
        # RFC 4291, section 2.5.4, and RFC 6177: the first 64 bits are the subscriber's.
        (False, {"REMOTE_ADDR": "2001:db8:1:2:aaaa::1"}, "2001:db8:1:2::"),
        (False, {"REMOTE_ADDR": "2001:db8:1:2:bbbb::2"}, "2001:db8:1:2::"),
    ],
)
def test_the_address_is_the_last_hop_and_only_behind_a_proxy_a_header(
    settings: object, behind: bool, sent: dict[str, str], counted: str | None
) -> None:
    settings.BEHIND_TLS_PROXY = behind  # type: ignore[attr-defined]
    assert counted_address(RequestFactory().get("/", **sent)) == counted
