"""Remind: who is written to, when, with what kept of it; and who never is. Sent into memory, not by SMTP."""

import io
import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest
import time_machine
from django.core import mail
from django.core.management import CommandError, call_command
from django.utils import timezone

from registry.models import IdentityView, Knee, Message, PatientLink, Unit
from registry.patient_link import making
from registry.recording import record
from registry.reminders.refusals import CannotSend, Hindrance, NoService, NotNow, Refused
from registry.reminders.run import run
from registry.reminders.send import NO_ANSWER, send
from registry.reminders.timetable import CLAIM_HOLDS
from registry.vocabulary import MessageKind, MessageState, Reminding
from tests import factories
from tests.conftest import Cast
from tests.registry.reminders.people import a_followed_knee, days_ago, leaves

TODAY = datetime(2026, 3, 2, 8, tzinfo=UTC)
INVITATION, REMINDER, LAST = MessageKind

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def today() -> Any:
    with time_machine.travel(TODAY, tick=False) as traveller:
        yield traveller


@pytest.fixture
def cast(cast: Cast) -> Cast:
    """The cast without its repair, so that nothing waits for an answer."""
    factories.withdrawn(cast.repair.tear.procedure)
    return cast


@pytest.fixture
def knee(cast: Cast) -> Knee:
    """A knee whose six-week review is due today."""
    return a_followed_knee(cast.unit, cast.oak, "rowan")


def remind(*arguments: str) -> str:
    out = io.StringIO()
    call_command("remind", *arguments, stdout=out)
    return out.getvalue().strip()


def numbers(*arguments: str) -> dict[str, Any]:
    """What a run says of itself, without what is nought."""
    said = json.loads(remind("--json", *arguments))
    return {name: value for name, value in said.items() if value}


def kept() -> list[tuple[str, str, str]]:
    return list(Message.objects.order_by("claimed_at").values_list("kind", "channel", "state"))


def test_an_invitation_is_sent_once_with_its_link_and_kept_without_the_address(knee: Knee) -> None:
    assert remind() == "Sent 1 (invitation 1)."
    assert remind() == "Sent 0."
    (letter,) = mail.outbox
    link = PatientLink.objects.get()
    assert letter.to == ["rowan@example.org"]
    assert making.address(link) in letter.body
    assert "30 April 2026" in letter.body, "the last whole day of 60"
    assert letter.extra_headers == {"Auto-Submitted": "auto-generated"}
    message = Message.objects.get()
    assert kept() == [("invitation", "email", "sent")]
    assert (message.claimed_at, message.ended_at, message.problem) == (TODAY, TODAY, "")
    assert (link.time_point, link.knee, link.made_by) == ("6w", knee, None)
    assert not any("rowan" in str(value) for value in Message.objects.values_list().get())
    assert not IdentityView.objects.exists(), "nobody read it"


def test_letters_are_in_the_patients_language(cast: Cast) -> None:
    a_followed_knee(cast.unit, cast.oak, "rowan", language="es")
    remind()
    assert mail.outbox[0].subject.startswith("Unas preguntas de")
    assert "30 de abril de 2026" in mail.outbox[0].body


def test_a_daily_run_sends_three_letters_of_a_review(cast: Cast, today: Any) -> None:
    a_followed_knee(cast.unit, cast.oak, "rowan", days=365)
    for day in range(60):
        today.move_to(TODAY + timedelta(days=day, seconds=-2 * (day % 2)))
        remind()
    days = [(message.claimed_at.date() - TODAY.date()).days for message in Message.objects.order_by("pk")]
    assert days == [0, 7, 28]
    assert [kind for kind, _, _ in kept()] == [INVITATION, REMINDER, LAST]
    assert PatientLink.objects.count() == 1


def test_nobody_is_invited_before_the_window_opens_or_after_it_is_over(cast: Cast) -> None:
    """Six weeks (42 days) with a window of 14 days each way: the default plan."""
    for day in (27, 28, 42, 56, 57):
        a_followed_knee(cast.unit, cast.oak, f"day-{day}", days=day)
    remind()
    assert {letter.to[0].split("@")[0] for letter in mail.outbox} == {"day-28", "day-42", "day-56"}


def test_who_was_invited_in_time_is_still_reminded_after_the_window(cast: Cast, today: Any) -> None:
    """The review at 12 months closes on day 365 + 56; the next one opens months later."""
    a_followed_knee(cast.unit, cast.oak, "rowan", days=365 + 56)
    remind()
    today.move_to(TODAY + timedelta(days=7))
    assert remind() == "Sent 1 (reminder 1)."


def opted_out(knee: Knee) -> None:
    factories.corrected(knee.patient, reminders=Reminding.NONE)


def gone(knee: Knee) -> None:
    factories.corrected(knee.patient, died_on=days_ago(0))


def withdrawn(knee: Knee) -> None:
    for operation in knee.procedures.all():
        factories.withdrawn(operation)
    factories.withdrawn(knee)


@pytest.mark.parametrize("change", [opted_out, gone, leaves, withdrawn])
@pytest.mark.parametrize("invited", [False, True])
def test_the_dead_the_gone_and_who_wishes_none_get_nothing(
    knee: Knee, today: Any, change: Callable[[Knee], None], invited: bool
) -> None:
    if invited:
        remind()
    mail.outbox.clear()
    today.move_to(TODAY + timedelta(days=7))
    change(knee)
    assert remind().startswith("Sent 0.")
    assert not mail.outbox
    assert PatientLink.objects.count() == invited


@pytest.mark.parametrize(
    "ended",
    [
        {"finished_at": TODAY},
        {"taken_back_at": TODAY},
        {"wrong_tries": 5},
        {"expires_at": TODAY + timedelta(days=7)},
    ],
)
def test_nothing_follows_an_ended_link(knee: Knee, today: Any, ended: dict[str, Any]) -> None:
    remind()
    PatientLink.objects.update(**ended)
    today.move_to(TODAY + timedelta(days=7))
    assert remind() == "Sent 0."
    with pytest.raises(CannotSend, match="can no longer be answered"):
        send(PatientLink.objects.get(), REMINDER)
    assert len(mail.outbox) == 1


def test_without_an_address_no_link_is_made_and_it_is_told(cast: Cast) -> None:
    a_followed_knee(cast.unit, cast.oak, "rowan", email="")
    a_followed_knee(cast.unit, cast.oak, "alder", reminders="sms")
    nameless = factories.an_operation(cast.unit, cast.oak, operated_on=days_ago(42))
    factories.a_repair(nameless)
    a_followed_knee(cast.unit, cast.oak, "maple", email="maple at example")
    assert remind() == "Sent 0. Held back: 1 with an address that is none, 3 without an address."
    assert not PatientLink.objects.exists()
    assert not Message.objects.exists()


def test_an_identity_that_no_key_opens_is_told_and_the_others_are_sent(cast: Cast, settings: Any) -> None:
    a_followed_knee(cast.unit, cast.oak, "rowan", days=43)
    settings.IDENTITY_KEYS = ["jVn5hCYtzI2Pb8o9oUq8h0uG6v5S0nO9JqRk3m3mB4E="]
    a_followed_knee(cast.unit, cast.oak, "alder")
    with pytest.raises(SystemExit, match="1"):
        remind()
    assert [letter.to for letter in mail.outbox] == [["alder@example.org"]]


def test_both_knees_are_asked_each_by_its_own_link(cast: Cast, knee: Knee) -> None:
    other = Knee(patient=knee.patient, side="right")
    record(other)
    a_followed_knee(cast.unit, cast.oak, "rowan", knee=other)
    remind()
    assert [letter.to for letter in mail.outbox] == [["rowan@example.org"]] * 2
    assert mail.outbox[0].body != mail.outbox[1].body


def test_after_another_repair_the_old_links_count_no_more(cast: Cast, knee: Knee, today: Any) -> None:
    remind()
    today.move_to(TODAY + timedelta(days=80))
    a_followed_knee(cast.unit, cast.oak, "rowan", knee=knee)
    assert remind() == "Sent 1 (invitation 1)."
    assert PatientLink.objects.count() == 2


def test_a_link_made_by_a_person_is_used(cast: Cast, knee: Knee) -> None:
    link = making.make_link(knee, "6w", cast.coordinator)
    remind()
    assert making.address(link) in mail.outbox[0].body
    assert PatientLink.objects.get() == link


def test_a_dry_run_counts_writes_nothing_and_names_nobody(knee: Knee) -> None:
    assert remind("--dry-run") == "Would send 1 (invitation 1)."
    assert numbers("--dry-run") == {"dry_run": True, "sent": {"invitation": 1}}
    assert not PatientLink.objects.exists()
    assert not Message.objects.exists()
    assert not mail.outbox


def test_the_most_urgent_go_first_when_not_all_may_go(cast: Cast) -> None:
    for day in (40, 50, 45):
        a_followed_knee(cast.unit, cast.oak, f"day-{day}", days=day)
    assert remind("--limit=2") == "Sent 2 (invitation 2). 1 still due."
    assert [letter.to[0] for letter in mail.outbox] == ["day-50@example.org", "day-45@example.org"]
    assert numbers("--limit=2") == {"sent": {"invitation": 1}}


def test_only_so_many_a_minute(cast: Cast) -> None:
    for name in ("rowan", "alder", "maple"):
        a_followed_knee(cast.unit, cast.oak, name)
    waits: list[float] = []
    run(Unit.objects.all(), per_minute=40, sleep=waits.append)
    assert waits == [1.5, 1.5]
    run(Unit.objects.all(), per_minute=40, sleep=waits.append)
    assert waits == [1.5, 1.5], "nothing was sent, so nobody waits"


def test_one_unit_alone(cast: Cast, knee: Knee) -> None:
    a_followed_knee(cast.other_unit, cast.oak, "alder")
    assert numbers("--unit=southmere") == {"sent": {"invitation": 1}}
    assert mail.outbox[0].to == ["alder@example.org"]


def test_as_many_queries_for_many_who_cannot_be_written_to_as_for_one(
    cast: Cast, django_assert_max_num_queries: Any
) -> None:
    for number in range(12):
        a_followed_knee(cast.unit, cast.oak, f"n{number}", reminders="none")
    with django_assert_max_num_queries(10):
        summary = run(Unit.objects.all())
    assert summary.held_back == {Hindrance.OPTED_OUT: 12}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--limit=0"], "--limit 0 sends nothing"),
        (["--per-minute=-1"], "--per-minute -1 sends nothing"),
        (["--unit=nowhere"], "--unit nowhere is not on record"),
    ],
)
def test_nonsense_is_refused_in_words(knee: Knee, arguments: list[str], said: str) -> None:
    with pytest.raises(CommandError, match=re.escape(said)) as refusal:
        remind(*arguments)
    assert refusal.value.returncode == 2
    assert not mail.outbox


def test_an_edited_text_without_its_link_stops_it_before_anything_is_sent(
    knee: Knee, settings: Any, tmp_path: Any
) -> None:
    settings.REMINDER_TEMPLATES_DIR = tmp_path
    (tmp_path / "last_reminder.es.txt").write_text("Hola\n\n{until}\n")
    with pytest.raises(CommandError, match=r"nothing was sent. .*last_reminder.es.txt lacks \{link\}"):
        remind()
    assert not mail.outbox
    assert not PatientLink.objects.exists()


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"SITE_URL": ""}, "SITE_URL '' is no https address"),
        ({"DEFAULT_FROM_EMAIL": "rimward"}, "DEFAULT_FROM_EMAIL 'rimward' is no e-mail address"),
        (
            {"EMAIL_BACKEND": "django.core.mail.backends.console.EmailBackend"},
            "EMAIL_URL names no mail server",
        ),
        ({"REMINDER_SMS": "registry.reminders.sms.Nowhere"}, "cannot be loaded"),
    ],
)
def test_half_set_up_in_production_it_does_not_start(
    knee: Knee, settings: Any, wrong: dict[str, str], said: str
) -> None:
    right = {
        "PRODUCTION": True,
        "SITE_URL": "https://rimward.example.org",
        "DEFAULT_FROM_EMAIL": "rimward@example.org",
    }
    for name, value in (right | wrong).items():
        setattr(settings, name, value)
    with pytest.raises(CommandError, match=said):
        remind()
    for name, value in right.items():
        setattr(settings, name, value)


# --- text messages ------------------------------------------------------------------------------


class Outbox:
    """A service for text messages that keeps them; it raises what a number is on the list with."""

    texts: list[tuple[str, str]] = []  # noqa: RUF012 - emptied by the fixture
    raises: dict[str, Exception] = {}  # noqa: RUF012

    def send(self, number: str, text: str) -> None:
        if error := self.raises.get(number):
            raise error
        self.texts.append((number, text))


@pytest.fixture
def texted(cast: Cast, settings: Any) -> type[Outbox]:
    settings.REMINDER_SMS = f"{Outbox.__module__}.Outbox"
    Outbox.texts, Outbox.raises = [], {}
    a_followed_knee(cast.unit, cast.oak, "rowan", reminders="sms", phone="+00 1")
    return Outbox


def test_a_text_message_goes_to_the_number_on_record(texted: type[Outbox]) -> None:
    remind()
    ((number, text),) = texted.texts
    assert number == "+00 1"
    assert making.address(PatientLink.objects.get()) in text
    assert kept() == [("invitation", "sms", "sent")]
    assert not mail.outbox


def test_the_console_shows_text_messages_on_standard_error(
    texted: type[Outbox], settings: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    settings.REMINDER_SMS = "registry.reminders.sms.Console"
    remind()
    assert "Text message to +00 1" in capsys.readouterr().err


def test_without_a_service_text_messages_are_held_back_and_told(texted: type[Outbox], settings: Any) -> None:
    settings.REMINDER_SMS = ""
    assert "1 who wish text messages, for which nothing is set up" in remind()
    assert not PatientLink.objects.exists()


def test_a_refusal_is_kept_in_words_and_ends_the_series(texted: type[Outbox], today: Any) -> None:
    texted.raises["+00 1"] = Refused("No such number.")
    with pytest.raises(SystemExit, match="1"):
        remind()
    assert Message.objects.get().problem == "No such number."
    texted.raises.clear()
    today.move_to(TODAY + timedelta(days=7))
    assert remind() == "Sent 0."
    # A person who has corrected the number may send the very same message.
    assert send(PatientLink.objects.get(), INVITATION).state == MessageState.SENT
    assert len(texted.texts) == 1


def test_what_was_not_taken_now_is_sent_by_the_next_run(texted: type[Outbox]) -> None:
    texted.raises["+00 1"] = NotNow("Too many at once.")
    with pytest.raises(SystemExit, match="1"):
        remind()
    message = Message.objects.get()
    assert (message.state, message.claimed_by, message.problem) == ("claimed", None, "Too many at once.")
    texted.raises.clear()
    assert remind() == "Sent 1 (invitation 1)."
    assert Message.objects.get().problem == ""


def test_an_error_of_no_meaning_is_told_and_never_sent_again(texted: type[Outbox], today: Any) -> None:
    texted.raises["+00 1"] = TimeoutError("the number +00 1 did not answer")
    with pytest.raises(SystemExit, match="1"):
        remind()
    message = Message.objects.get()
    assert (message.state, message.problem) == ("handed_over", NO_ANSWER)
    texted.raises.clear()
    assert remind() == "Sent 0."
    with pytest.raises(CannotSend, match="never sent twice"):
        send(message.link, INVITATION)
    today.move_to(TODAY + timedelta(days=7))
    assert remind() == "Sent 1 (reminder 1)."


def test_a_service_that_takes_nothing_stops_the_run(cast: Cast, texted: type[Outbox]) -> None:
    a_followed_knee(cast.unit, cast.oak, "alder", days=41)
    texted.raises["+00 1"] = NoService("No credit left.")
    summary = run(Unit.objects.all())
    assert (summary.stopped, summary.still_due, summary.sent.total()) == ("No credit left.", 2, 0)
    texted.raises.clear()
    assert run(Unit.objects.all()).sent.total() == 2


# --- left by runs that ended ----------------------------------------------------------------------


def test_a_claim_left_behind_is_taken_over_when_its_run_must_be_over(knee: Knee, today: Any) -> None:
    link = making.make_link(knee, "6w")
    Message(link=link, kind=INVITATION, channel="email", claimed_at=TODAY, claimed_by=link.uuid).save()
    assert remind() == "Sent 0."
    with pytest.raises(CannotSend, match="being sent at this moment"):
        send(link, INVITATION)
    today.move_to(TODAY + CLAIM_HOLDS)
    assert remind() == "Sent 1 (invitation 1)."
    assert len(mail.outbox) == 1


def test_what_an_earlier_run_handed_over_unheard_is_told_once_and_not_sent(knee: Knee, today: Any) -> None:
    link = making.make_link(knee, "6w")
    state = MessageState.HANDED_OVER
    Message(link=link, kind=INVITATION, channel="email", claimed_at=TODAY, state=state).save()
    today.move_to(TODAY + CLAIM_HOLDS)
    assert numbers("--dry-run") == {"dry_run": True}
    with pytest.raises(SystemExit, match="1"):
        remind()
    assert Message.objects.get().problem == NO_ANSWER
    assert remind() == "Sent 0."
    assert not mail.outbox


def test_a_slow_run_that_lost_its_claim_sends_nothing(texted: type[Outbox], settings: Any) -> None:
    """Another run takes the claim before this one hands over, which asks once more whose it is."""
    settings.REMINDER_SMS = f"{Outbox.__module__}.Slow"
    link = making.make_link(Knee.objects.get(patient__reminders="sms"), "6w")
    with pytest.raises(CannotSend, match="being sent at this moment"):
        send(link, INVITATION)
    assert not texted.texts
    assert Message.objects.get().state == MessageState.CLAIMED


class Slow(Outbox):
    """A service so slow to set up that another run takes over meanwhile."""

    def __init__(self) -> None:
        Message.objects.update(claimed_by=uuid4(), claimed_at=timezone.now())
