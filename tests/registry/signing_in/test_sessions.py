"""Sessions end by their rows: idle, absolute, revoked; and the clock may be set back under them."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import time_machine
from django.conf import settings
from django.contrib.sessions.backends.base import UpdateError
from django.core.management import call_command
from django.test import Client

from registry.models import BrowserSession, User
from registry.patient_link.making import make_link
from registry.patient_link.token import token_of
from registry.signing_in.sessions import SessionStore, end_all, open_sessions
from tests import factories
from tests.conftest import Cast
from tests.factories import PASSWORD, signed_in
from tests.registry.pages.entries import path, text
from tests.registry.signing_in.people import is_in

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

START = datetime(2026, 3, 2, 8, tzinfo=UTC)
IDLE, LONGEST = timedelta(minutes=30), timedelta(hours=12)
FIREFOX = "Mozilla/5.0 (Windows NT 10.0; Win64; x64; rv:140.0) Gecko/20100101 Firefox/140.0"


@pytest.fixture
def person() -> User:
    return factories.a_person("oak")


def is_open(client: Client) -> bool:
    """Whether the browser's key opens its session, as the middleware asks it."""
    return bool(SessionStore(client.cookies[settings.SESSION_COOKIE_NAME].value).load())


def seen(client: Client, clock: Any, *minutes: float) -> list[bool]:
    """Whether the session is open at each look; minutes since the one before."""
    answers = []
    for each in minutes:
        clock.shift(timedelta(minutes=each))
        answers.append(is_open(client))
    return answers


def test_the_limits_are_those_that_are_documented() -> None:
    assert timedelta(minutes=settings.SESSION_IDLE_MINUTES) == IDLE
    assert timedelta(hours=settings.SESSION_HOURS) == LONGEST


def test_an_idle_session_ends_though_its_cookie_stays(person: User) -> None:
    with time_machine.travel(START, tick=False) as clock:
        client = signed_in(person)
        assert seen(client, clock, 29.9, 29.9, 30.1) == [True, True, False]
        assert not is_in(client)
        assert settings.SESSION_COOKIE_NAME in client.cookies
        clock.shift(timedelta(minutes=-1))
        assert is_in(client)  # nothing but the clock had ended it


def test_no_use_prolongs_a_session_beyond_its_longest_time(person: User) -> None:
    with time_machine.travel(START, tick=False) as clock:
        client = signed_in(person)
        assert all(seen(client, clock, *[20.0] * 35))  # 11 h 40 min
        assert seen(client, clock, 19.9, 0.1) == [True, False]


def test_writing_into_a_session_and_a_new_key_do_not_prolong_it(person: User) -> None:
    with time_machine.travel(START, tick=False) as clock:
        client = signed_in(person)
        for _ in range(23):
            clock.shift(timedelta(minutes=30) - timedelta(seconds=1))
            session = client.session
            session["typed"] = "x"
            session.save()
            session.cycle_key()
            session.save()
            client.cookies[settings.SESSION_COOKIE_NAME] = session.session_key
            assert is_open(client)
        assert BrowserSession.objects.get().began_at == START
        clock.move_to(START + LONGEST)
        assert not is_open(client)


def test_signing_in_again_begins_a_session_anew(person: User) -> None:
    with time_machine.travel(START, tick=False) as clock:
        client = signed_in(person)
        first = BrowserSession.objects.get()
        clock.shift(timedelta(minutes=20))
        client.force_login(person)
        second = BrowserSession.objects.get()
        assert second.began_at == START + timedelta(minutes=20)
        assert first.session_key != second.session_key  # OWASP ASVS 5.0, 7.2.4


@pytest.mark.parametrize("back", [timedelta(minutes=10), timedelta(hours=5), timedelta(days=400)])
@pytest.mark.parametrize("after", [timedelta(), timedelta(minutes=25)])
def test_a_clock_set_back_prolongs_a_session_by_no_more_than_that(
    person: User, back: timedelta, after: timedelta
) -> None:
    """Real time since signing in, told by adding up what passed: the clock of the server says otherwise."""
    with time_machine.travel(START, tick=False) as clock:
        client, passed = signed_in(person), after
        clock.shift(after)
        clock.shift(-back)
        assert is_open(client)
        while is_open(client) and passed < LONGEST * 3:
            clock.shift(timedelta(minutes=15))
            passed += timedelta(minutes=15)
        assert passed <= LONGEST + min(back, after) + timedelta(minutes=15)


def test_a_clock_set_back_leaves_the_idle_limit(person: User) -> None:
    with time_machine.travel(START, tick=False) as clock:
        client = signed_in(person)
        clock.shift(timedelta(days=-3))
        assert seen(client, clock, 0, 29, 30.1) == [True, True, False]


def test_a_session_that_is_read_is_written_once_a_minute_at_most(
    person: User, django_assert_num_queries: Any
) -> None:
    with time_machine.travel(START, tick=False) as clock:
        client = signed_in(person)
        clock.shift(timedelta(seconds=59))
        key = client.session.session_key
        with django_assert_num_queries(1):
            SessionStore(key).load()
        clock.shift(timedelta(seconds=1))
        with django_assert_num_queries(2):
            SessionStore(key).load()
        with django_assert_num_queries(1):
            SessionStore(key).load()


def test_a_row_says_whose_since_when_from_where(person: User) -> None:
    with time_machine.travel(START, tick=False) as clock:
        client = Client(REMOTE_ADDR="192.0.2.7", headers={"user-agent": FIREFOX})
        client.post("/sign-in/", {"username": person.username, "password": PASSWORD})
        assert BrowserSession.objects.get().address == "192.0.2.7"
        clock.shift(timedelta(minutes=2))
        assert is_in(client)
    row = BrowserSession.objects.get()
    assert (row.user, row.began_at, row.seen_at) == (person, START, START + timedelta(minutes=2))
    assert (row.address, row.browser) == ("192.0.2.7", "Firefox on Windows")


def test_of_a_patient_neither_address_nor_browser_is_kept_and_the_link_goes_on(cast: Cast) -> None:
    """Longer than a signed-in person's idle limit: the year of birth is not asked again."""
    client = Client(REMOTE_ADDR="192.0.2.7", headers={"user-agent": FIREFOX})
    with time_machine.travel(START, tick=False) as clock:
        address = f"/r/{token_of(make_link(cast.knee, '3m').uuid)}/"
        assert client.post(address, {"year": "1995"}).status_code == 303
        clock.shift(timedelta(hours=2))
        assert 'name="year"' not in client.get(address).content.decode()
    row = BrowserSession.objects.get()
    assert (row.user, row.address, row.browser) == (None, None, "")


def test_what_was_typed_when_a_session_had_run_out_waits_for_its_person(cast: Cast) -> None:
    """Longer than the idle limit, since a surgeon comes back after an operation."""
    with time_machine.travel(START, tick=False) as clock:
        client = cast.client("clinician")
        page = client.get(path(cast, "visit")).content.decode()
        mark = page.split('name="draft-owner" value="')[1].split('"')[0]
        clock.shift(timedelta(minutes=31))
        sent = client.post(path(cast, "visit"), {"draft-owner": mark, "flexion_deg": "123"})
        assert sent.headers["Location"].startswith("/sign-in/")
        clock.shift(timedelta(hours=3))
        answer = client.post(
            f"/sign-in/?next={path(cast, 'visit')}",
            {"username": "clinician", "password": PASSWORD},
            follow=True,
        )
        assert 'value="123"' in text(answer)


def test_ending_all_leaves_the_one_and_everybody_elses(person: User) -> None:
    other = factories.a_person("elm")
    here, there, elms = signed_in(person), signed_in(person), signed_in(other)
    assert open_sessions(person).count() == 2
    assert end_all(person, but=here.session.session_key) == 1
    assert [is_open(each) for each in (here, there, elms)] == [True, False, True]
    assert end_all(person) == 1
    assert [is_open(each) for each in (here, elms)] == [False, True]


def test_a_session_ended_under_a_request_is_not_written_again(person: User) -> None:
    session = signed_in(person).session
    session["typed"] = "x"
    end_all(person)
    with pytest.raises(UpdateError):
        session.save()
    assert not BrowserSession.objects.exists()


def test_clearsessions_takes_away_what_has_ended_and_no_more(person: User) -> None:
    with time_machine.travel(START, tick=False) as clock:
        signed_in(person)
        clock.shift(timedelta(minutes=20))
        fresh = signed_in(person)
        clock.shift(timedelta(minutes=20))
        call_command("clearsessions")
        assert [row.session_key for row in BrowserSession.objects.all()] == [fresh.session.session_key]


def test_a_closed_account_is_out_at_once(person: User) -> None:
    client = signed_in(person)
    User.objects.filter(pk=person.pk).update(is_active=False)
    assert not is_in(client)
