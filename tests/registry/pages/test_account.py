"""Your account: own sessions and their end, what happened, a new password."""

from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.test import Client, override_settings
from django.utils import timezone

from registry.models import AccountEvent, AccountEventKind, BrowserSession
from registry.signing_in import account_log
from registry.signing_in.lockout import held_off_words
from tests.conftest import Cast
from tests.factories import PASSWORD
from tests.registry.pages.entries import text
from tests.registry.signing_in.people import is_in

NEW = "crescent-walnut-74"


def change(client: Client, present: str = PASSWORD, new: str = NEW, again: str = "", **meta: Any) -> Any:
    sent = {"present": present, "new_password": new, "again": again or new}
    return client.post("/account/password/", sent, **meta)


def test_the_page_marks_this_session_and_shows_no_key(cast: Cast) -> None:
    here, there = cast.client("surgeon"), cast.client("surgeon")
    cast.client("colleague")
    page = text(here.get("/account/"))
    assert page.count("This session") == 1
    assert page.count("End it") == 1
    for client in (here, there):
        assert client.session.session_key not in page
    of_there = BrowserSession.objects.get(session_key=there.session.session_key)
    assert f"/account/sessions/{of_there.uuid}/end/" in page


def test_a_session_that_was_ended_is_out_from_its_next_request_on(cast: Cast) -> None:
    here, there = cast.client("surgeon"), cast.client("surgeon")
    row = BrowserSession.objects.get(session_key=there.session.session_key)
    assert is_in(there)
    here.post(f"/account/sessions/{row.uuid}/end/")
    assert (is_in(here), is_in(there)) == (True, False)
    assert "Session ended from elsewhere" in text(here.get("/account/"))


def test_all_others_end_at_once_and_nobody_elses(cast: Cast) -> None:
    here, *others = [cast.client("surgeon") for _ in range(3)]
    colleague = cast.client("colleague")
    assert "2 other sessions ended" in text(here.post("/account/sessions/end-others/", follow=True))
    assert [is_in(client) for client in (here, *others, colleague)] == [True, False, False, True]
    assert "No other sessions ended" in text(here.post("/account/sessions/end-others/", follow=True))


def test_nobody_ends_a_session_of_somebody_else(cast: Cast) -> None:
    colleague = cast.client("colleague")
    row = BrowserSession.objects.get()
    assert cast.client("surgeon").post(f"/account/sessions/{row.uuid}/end/").status_code == 404
    assert is_in(colleague)


def test_ending_ones_own_session_signs_out(cast: Cast) -> None:
    client = cast.client("surgeon")
    row = BrowserSession.objects.get()
    assert client.post(f"/account/sessions/{row.uuid}/end/").headers["Location"] == "/sign-in/"
    assert not is_in(client)


def test_a_new_password_ends_the_other_sessions_and_leaves_this_one(cast: Cast) -> None:
    here, there = cast.client("surgeon"), cast.client("surgeon")
    before = here.session.session_key
    answer = change(here)
    assert answer.headers["Location"] == "/account/"
    assert (is_in(here), is_in(there)) == (True, False)
    assert here.session.session_key != before
    cast.surgeon.refresh_from_db()
    assert cast.surgeon.check_password(NEW)
    assert cast.surgeon.account_events.filter(kind="password_set").count() == 1


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        ({"present": "something else 1"}, "This is not your present password"),
        ({"new": "short"}, "too short"),
        ({"new": "password12345"}, "too common"),
        ({"new": "oak@example.org"}, "too similar"),
        ({"again": "crescent-walnut-75"}, "The two differ"),
    ],
)
def test_a_password_that_may_not_be_is_refused_in_words(cast: Cast, sent: dict[str, str], words: str) -> None:
    answer = change(cast.client("surgeon"), **sent)
    assert answer.status_code == 422
    assert words in text(answer)
    cast.surgeon.refresh_from_db()
    assert cast.surgeon.check_password(PASSWORD)


@pytest.mark.slow
@override_settings(AXES_FAILURE_LIMIT=3)
def test_guesses_at_the_present_password_have_to_wait(cast: Cast) -> None:
    client = cast.client("surgeon")
    for number in range(3):
        change(client, present=f"guess number {number}", REMOTE_ADDR="192.0.2.9")
    assert held_off_words() in text(change(client, REMOTE_ADDR="192.0.2.9"))
    cast.surgeon.refresh_from_db()
    assert cast.surgeon.check_password(PASSWORD)


def test_who_signed_in_long_ago_confirms_before_changing_the_password(cast: Cast) -> None:
    client = cast.client("surgeon")
    with time_machine.travel(timezone.now() + timedelta(minutes=20)):
        assert client.get("/account/password/").headers["Location"].startswith("/confirm/")


def test_the_log_shows_the_last_50_and_says_of_how_many(cast: Cast) -> None:
    client = cast.client("surgeon")
    for number in range(60):
        account_log.note(
            cast.surgeon, AccountEventKind.ROLE_GIVEN, by=cast.administrator, about=f"N{number:02}"
        )
    page = text(client.get("/account/"))
    assert "The latest 50 of 61 entries" in page
    assert ("N59" in page, "N10" in page, "N09" in page) == (True, True, False)
    assert page.count("administrator") >= 50


def test_what_browsers_and_labels_say_is_text(cast: Cast) -> None:
    client = cast.client("surgeon")
    AccountEvent.objects.create(user=cast.surgeon, kind="role_given", about="<script>alert(1)</script>")
    BrowserSession.objects.update(browser="<b>x</b>")
    page = client.get("/account/").content.decode()
    assert "<script>alert(1)" not in page
    assert "<b>x</b>" not in page


def test_the_page_asks_no_more_the_more_sessions_there_are(
    cast: Cast, django_assert_max_num_queries: Any
) -> None:
    client = cast.client("surgeon")
    for _ in range(10):
        cast.client("surgeon")
        account_log.note(cast.surgeon, AccountEventKind.CONFIRMED, by=cast.administrator)
    client.get("/account/")
    with django_assert_max_num_queries(14):
        client.get("/account/")
