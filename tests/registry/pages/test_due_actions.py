"""Due, one knee: each act once, refused in words where it cannot be, and only by who may record follow-up."""

from collections.abc import Iterator
from datetime import UTC, date, datetime
from email.message import EmailMessage
from typing import Any
from uuid import uuid4

import pytest
import time_machine
from django.conf import settings
from django.core import mail
from django.core.mail.backends.base import BaseEmailBackend
from django.http import HttpResponse

from registry.models import (
    BookedVisit,
    Contact,
    EndOfFollowUp,
    GivenUpReview,
    Identity,
    Message,
    PatientLink,
    PatientReport,
)
from registry.recording import record
from registry.reminders.refusals import Hindrance, Refused
from registry.reports import to_verify
from registry.reviews import current_review
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text

# Day 106 of the cast's own knee: its review of 3 months is due.
TODAY = date(2024, 6, 15)
NOW = datetime(2024, 6, 15, 12, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _fixed_day() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


def address(cast: Cast) -> str:
    return f"/knees/{cast.knee.uuid}/due/"


def sent(cast: Cast, act: str, who: str = "clinician", **fields: Any) -> HttpResponse:
    """What comes of one act, at the page that it leads to."""
    return cast.client(who).post(address(cast), {"act": act, **fields}, follow=True)


def told(response: HttpResponse) -> str:
    """The page as text, apostrophes plain."""
    return text(response).replace("&#x27;", "'")


def reachable(cast: Cast) -> None:
    record(Identity.sealed(cast.knee.patient, hospital_number="NM 1", email="rowan@example.org"))


# --- The page ----------------------------------------------------------------------------------


def test_the_page_tells_the_review_and_offers_every_act(cast: Cast) -> None:
    reachable(cast)
    page = told(cast.client("clinician").get(address(cast)))
    assert "<h1> Review after 3 months </h1>" in page
    assert "13 days left: due 31 May 2024, can be answered from 3 May 2024 to 28 Jun 2024." in page
    for act in ("send", "show", "phone", "book", "give-up"):
        assert f'name="act" value="{act}"' in page
    assert f'href="/knees/{cast.knee.uuid}/identity/"' in page


def test_without_a_review_there_is_nothing_to_ask_or_give_up(cast: Cast) -> None:
    record(EndOfFollowUp(patient=cast.knee.patient, ended_on=TODAY, reason="moved"))
    page = told(cast.client("clinician").get(address(cast)))
    assert "No review waits for an answer" in page
    assert 'value="phone"' in page
    assert 'value="send"' not in page
    assert 'value="give-up"' not in page
    for act in ("send", "show", "give-up"):
        assert "No review of this knee waits for an answer now" in told(sent(cast, act))
    assert not PatientLink.objects.exists()
    assert not GivenUpReview.objects.exists()


@pytest.mark.parametrize("who", ["surgeon", "colleague", "clinician"])
def test_who_records_follow_up_may_act(cast: Cast, who: str) -> None:
    sent(cast, "phone", who, **a_call())
    assert Contact.objects.get().recorded_by == getattr(cast, who)


@pytest.mark.parametrize(
    ("who", "looks", "acts"),
    [
        ("audit_lead", 200, 403),
        ("coordinator", 404, 404),
        ("administrator", 404, 404),
        ("stranger", 404, 404),
        ("nobody", 302, 302),
    ],
)
def test_who_may_look_or_act(cast: Cast, who: str, looks: int, acts: int) -> None:
    client = cast.client(who)
    assert client.get(address(cast)).status_code == looks
    assert client.post(address(cast), {"act": "phone", **a_call()}).status_code == acts
    assert not Contact.objects.exists()
    if looks == 200:
        assert 'name="act"' not in text(client.get(address(cast)))


def test_an_act_that_there_is_not(cast: Cast) -> None:
    assert cast.client("clinician").post(address(cast), {"act": "forget"}).status_code == 404
    assert cast.client("clinician").post(address(cast)).status_code == 404


def test_after_an_act_one_is_back_in_the_list_as_it_was(cast: Cast) -> None:
    back = "/due/?state=due&page=2"
    page = text(cast.client("clinician").get(address(cast), {"back": back}))
    assert 'href="/due/?state=due&amp;page=2"' in page
    answer = cast.client("clinician").post(address(cast), {"act": "phone", "back": back, **a_call()})
    assert answer.headers["Location"] == back


@pytest.mark.parametrize("back", ["https://example.org/due/", "//example.org/due/", "javascript:alert(1)"])
def test_nobody_is_led_elsewhere(cast: Cast, back: str) -> None:
    assert "example.org" not in text(cast.client("clinician").get(address(cast), {"back": back}))
    answer = cast.client("clinician").post(address(cast), {"act": "phone", "back": back, **a_call()})
    assert answer.headers["Location"] == address(cast)


# --- The link ----------------------------------------------------------------------------------


def test_a_link_is_made_and_sent(cast: Cast) -> None:
    reachable(cast)
    page = told(sent(cast, "send", kind="invitation"))
    assert f"Invitation sent 15 Jun 2024: {cast.knee}." in page
    link = PatientLink.objects.get()
    assert (link.knee, link.time_point, link.made_by) == (cast.knee, "3m", cast.clinician)
    assert [letter.to for letter in mail.outbox] == [["rowan@example.org"]]
    assert f"{settings.SITE_URL}/r/" in mail.outbox[0].body
    assert 'value="reminder"' in page


def test_pressed_twice_it_is_sent_once(cast: Cast) -> None:
    reachable(cast)
    sent(cast, "send", kind="invitation")
    assert "This message was sent meanwhile, so nothing was sent again." in told(
        sent(cast, "send", kind="invitation")
    )
    assert len(mail.outbox) == Message.objects.count() == PatientLink.objects.count() == 1


def test_an_open_link_is_sent_again_rather_than_another(cast: Cast) -> None:
    reachable(cast)
    for kind in ("invitation", "reminder", "last_reminder"):
        sent(cast, "send", kind=kind)
    assert PatientLink.objects.count() == 1
    assert len({letter.body.split("/r/")[1].split("/")[0] for letter in mail.outbox}) == 1
    assert len(mail.outbox) == 3
    page = told(cast.client("clinician").get(address(cast)))
    assert "All messages of this link were sent. Phone, or book a visit." in page
    assert "was sent meanwhile" in told(sent(cast, "send", kind="last_reminder"))
    assert len(mail.outbox) == 3


def test_after_a_link_ended_another_is_made(cast: Cast) -> None:
    reachable(cast)
    sent(cast, "send", kind="invitation")
    PatientLink.objects.update(wrong_tries=5)
    sent(cast, "send", kind="invitation")
    assert PatientLink.objects.count() == len(mail.outbox) == 2


@pytest.mark.parametrize(
    ("patient", "words"),
    [
        ({}, Hindrance.NO_ADDRESS.label),
        ({"reminders": "sms"}, Hindrance.NO_ADDRESS.label),
        ({"reminders": "none"}, Hindrance.OPTED_OUT.label),
    ],
)
def test_what_stands_in_the_way_is_told_and_no_link_made(
    cast: Cast, patient: dict[str, str], words: str
) -> None:
    if patient:
        factories.corrected(cast.knee.patient, **patient)
    page = told(cast.client("clinician").get(address(cast)))
    assert words in page
    assert 'value="send"' not in page
    assert words in told(sent(cast, "send", kind="invitation"))
    assert not PatientLink.objects.exists()


def test_an_address_that_is_none_is_told(cast: Cast) -> None:
    record(Identity.sealed(cast.knee.patient, hospital_number="NM 1", email="rowan at example"))
    assert Hindrance.BAD_ADDRESS.label in told(sent(cast, "send", kind="invitation"))
    assert not Message.objects.exists()


class Refusing(BaseEmailBackend):
    """A mail server that takes nothing."""

    def send_messages(self, _: list[EmailMessage]) -> int:
        raise Refused("The mail server refused the address (code 550).")


def test_a_message_refused_by_the_server_is_told(cast: Cast, settings: Any) -> None:
    reachable(cast)
    settings.EMAIL_BACKEND = f"{__name__}.Refusing"
    page = told(sent(cast, "send", kind="invitation"))
    assert "The mail server refused the address (code 550)." in page
    assert "Invitation failed 15 Jun 2024" in page
    # And may be sent again.
    assert 'value="invitation"' in page


def test_the_link_is_shown_to_hand_over_and_is_the_one_that_is_sent(cast: Cast) -> None:
    reachable(cast)
    shown = [told(sent(cast, "show")).split("<code>")[1].split("</code>")[0] for _ in range(2)]
    assert shown[0].startswith(f"{settings.SITE_URL}/r/")
    assert PatientLink.objects.count() == 1
    assert not Message.objects.exists()
    sent(cast, "send", kind="invitation")
    assert shown[0] in mail.outbox[0].body
    assert shown[0] not in told(cast.client("clinician").get(address(cast)))


# --- Phone -------------------------------------------------------------------------------------


def a_call(**fields: str) -> dict[str, str]:
    entered = {"contacted_on": "2024-06-14", "operated_again": "no", **fields}
    return {f"phone-{name}": value for name, value in entered.items()} | {"entry": str(uuid4())}


def test_no_makes_a_contact(cast: Cast) -> None:
    assert "Contact recorded." in told(sent(cast, "phone", **a_call()))
    contact = Contact.objects.get()
    assert (contact.knee, contact.contacted_on, contact.source) == (cast.knee, date(2024, 6, 14), "phone")
    assert not PatientReport.objects.exists()
    assert "last known well on 14 Jun 2024" in standing(cast)
    # It tells of reoperations alone: the review still waits.
    assert current_review(cast.knee)


def standing(cast: Cast) -> str:
    return told(cast.client("clinician").get(f"/knees/{cast.knee.uuid}/standing/"))


@pytest.mark.parametrize("answer", ["yes", "unsure"])
def test_yes_and_not_sure_are_to_be_verified_and_make_no_contact(cast: Cast, answer: str) -> None:
    words = {"where": "Southmere", "when": "in spring", "what": "trimmed"}
    assert "until somebody has verified" in told(
        sent(cast, "phone", **a_call(operated_again=answer, **words))
    )
    report = PatientReport.objects.get()
    assert (report.operated_again, report.way, report.time_point) == (answer, "clinic", "3m")
    assert report.answered_on == date(2024, 6, 14)
    assert report.opened() == words
    assert report.reoperation is report.operation is None
    assert "Southmere" not in report.where_sealed
    assert list(to_verify([cast.unit])) == [report]
    assert "last known well on 1 Mar 2024" in standing(cast)
    assert not Contact.objects.exists()


def test_nobody_reached_records_nothing_and_offers_to_give_up(cast: Cast) -> None:
    entered = {"act": "phone", **a_call(operated_again="nobody")}
    answer = cast.client("clinician").post(address(cast), entered)
    assert answer.headers["Location"] == f"{address(cast)}#give-up"
    assert "Nothing is recorded of a call that reached nobody." in told(
        sent(cast, "phone", **a_call(operated_again="nobody"))
    )
    assert not Contact.objects.exists()
    assert not PatientReport.objects.exists()


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"operated_again": ""}, "Operated on again on this knee since? is missing."),
        ({"contacted_on": ""}, "Date of the call is missing. Enter it."),
        ({"contacted_on": "2024-06-17"}, "future"),
        ({"contacted_on": "2024-02-01"}, "lies before the operation on this knee"),
        ({"where": "Southmere"}, "'Southmere' tells of an operation, but the answer is 'No'."),
        ({"operated_again": "nobody", "what": "trimmed"}, "but the answer is 'Nobody reached'."),
        ({"operated_again": "perhaps"}, "perhaps"),
    ],
)
def test_a_call_refused_in_words(cast: Cast, fields: dict[str, str], words: str) -> None:
    answer = sent(cast, "phone", **a_call(**fields))
    assert answer.status_code == 422
    assert words in told(answer)
    assert not Contact.objects.exists()
    assert not PatientReport.objects.exists()


@pytest.mark.parametrize("answer", ["no", "yes"])
def test_a_call_sent_twice_is_recorded_once(cast: Cast, answer: str) -> None:
    call = a_call(operated_again=answer)
    sent(cast, "phone", **call)
    # Changed meanwhile or not: it was this page that was recorded.
    assert "was on record already" in told(sent(cast, "phone", **call))
    assert "was on record already" in told(sent(cast, "phone", **{**call, "phone-operated_again": "unsure"}))
    assert Contact.objects.count() + PatientReport.objects.count() == 1


# --- Visits ------------------------------------------------------------------------------------


def a_visit(day: str = "2024-06-20") -> dict[str, str]:
    return {"book-booked_for": day, "entry": str(uuid4())}


def test_a_visit_is_booked_once(cast: Cast) -> None:
    visit = a_visit()
    assert "Visit booked." in told(sent(cast, "book", **visit))
    assert "was on record already" in told(sent(cast, "book", **visit))
    booked = BookedVisit.objects.get()
    assert (booked.booked_for, booked.time_point) == (date(2024, 6, 20), "3m")
    assert booked.recorded_by == cast.clinician


def test_a_visit_may_be_booked_for_today(cast: Cast) -> None:
    sent(cast, "book", **a_visit("2024-06-15"))
    assert BookedVisit.objects.exists()


@pytest.mark.parametrize(
    ("day", "words"),
    [
        ("", "Date of the visit is missing. Enter it."),
        ("2024-06-14", "14 Jun 2024 is past. A visit is booked for today or later"),
        ("soon", "valid date"),
    ],
)
def test_a_visit_refused_in_words(cast: Cast, day: str, words: str) -> None:
    answer = sent(cast, "book", **a_visit(day))
    assert answer.status_code == 422
    assert words in told(answer)
    assert not BookedVisit.objects.exists()


def test_two_visits_of_one_day_are_refused(cast: Cast) -> None:
    sent(cast, "book", **a_visit())
    answer = sent(cast, "book", **a_visit())
    assert answer.status_code == 422
    assert "A visit of this knee is booked for that day already." in told(answer)


def test_a_visit_is_cancelled_for_a_reason(cast: Cast) -> None:
    sent(cast, "book", **a_visit())
    booked = BookedVisit.objects.get()
    assert "Can be taken back" in told(cast.client("clinician").get(address(cast)))
    taken_back(cast, "booked-visit", booked.uuid)
    assert not BookedVisit.objects.exists()
    assert "Can be taken back" not in told(cast.client("clinician").get(address(cast)))
    sent(cast, "book", **a_visit())
    assert BookedVisit.objects.exists()


def taken_back(cast: Cast, kind: str, uuid: object) -> None:
    """By the link on the page, for a reason."""
    url = f"/knees/{cast.knee.uuid}/withdraw/{kind}/{uuid}/"
    assert f'<a href="{url}">Take back' in told(cast.client("clinician").get(address(cast)))
    answer = cast.client("clinician").post(url, {"correction-reason": "Asked for another day"})
    assert answer.status_code == 302


# --- Giving up ---------------------------------------------------------------------------------


def test_a_review_is_given_up_once_and_can_be_taken_back(cast: Cast) -> None:
    giving_up = {"give-up-reason": "declined", "entry": str(uuid4())}
    assert "Review given up." in told(sent(cast, "give-up", **giving_up))
    assert "was on record already" in told(sent(cast, "give-up", **giving_up))
    given_up = GivenUpReview.objects.get()
    assert (given_up.time_point, given_up.given_up_on, given_up.reason) == ("3m", TODAY, "declined")
    assert current_review(cast.knee) is None
    taken_back(cast, "given-up-review", given_up.uuid)
    assert current_review(cast.knee)
    # Given up again that day, after all.
    sent(cast, "give-up", **{"give-up-reason": "unable", "entry": str(uuid4())})
    assert GivenUpReview.objects.get().reason == "unable"


def test_giving_up_needs_a_reason(cast: Cast) -> None:
    answer = sent(cast, "give-up", entry=str(uuid4()))
    assert answer.status_code == 422
    assert "Reason to give up is missing. Enter it." in told(answer)
    assert not GivenUpReview.objects.exists()
