"""What the mail server answers, and how each answer is kept. A real server in a process of its own."""

import smtplib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.core.mail import EmailMessage

from registry.models import Knee, Message, Unit
from registry.patient_link import making
from registry.reminders import smtp
from registry.reminders.refusals import CannotSend, Hindrance, NoService, NotNow
from registry.reminders.run import run
from registry.reminders.send import NO_ANSWER, send
from registry.vocabulary import MessageKind
from tests import factories
from tests.registry.reminders.people import a_followed_knee
from tests.registry.reminders.postbox import Postbox, postbox
from tests.site.running import free_port

pytestmark = pytest.mark.django_db


@pytest.fixture(scope="module")
def started(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Postbox]:
    with postbox(tmp_path_factory.mktemp("postbox")) as box:
        (box.folder / "sender").write_text("0")
        yield box


@pytest.fixture
def box(started: Postbox, settings: Any) -> Postbox:
    """A server that letters go to, empty."""
    (started.folder / "mails").write_text("")
    settings.EMAIL_BACKEND = "registry.reminders.smtp.EmailBackend"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", started.port
    settings.DEFAULT_FROM_EMAIL = "rimward@example.org"
    return started


def a_patient(email: str) -> Knee:
    unit = Unit.objects.filter(code="northmere").first() or factories.a_unit("northmere")
    surgeon = unit.surgeons.first() or factories.a_surgeon(unit, "oak")
    return a_followed_knee(unit, surgeon, email.split("@")[0], email=email)


def an_invitation(email: str) -> Message:
    return send(making.make_link(a_patient(email), "6w"), MessageKind.INVITATION)


def kept() -> tuple[str, str]:
    message = Message.objects.get()
    return message.state, message.problem


def test_a_letter_arrives_whole(box: Postbox) -> None:
    """A line that begins with a dot too, which the protocol doubles on its way (RFC 5321, 4.5.2)."""
    message = an_invitation("rowan@example.org")
    (mail,) = box.mails()
    assert mail["to"] == "rowan@example.org"
    assert making.address(message.link) in mail["content"]
    assert "Auto-Submitted: auto-generated" in mail["content"]
    assert kept() == ("sent", "")


def test_lines_that_begin_with_a_dot_arrive_as_written(box: Postbox, settings: Any, tmp_path: Path) -> None:
    settings.REMINDER_TEMPLATES_DIR = tmp_path
    (tmp_path / "invitation.en.txt").write_text("Hello\n\n.one\n.\n..two\n{link}\n{until}\n.\n")
    an_invitation("rowan@example.org")
    assert "\r\n.one\r\n.\r\n..two\r\n" in box.mails()[0]["content"]


@pytest.mark.parametrize(
    ("email", "problem"),
    [
        ("refused-550@example.org", "The mail server refused the address (code 550)."),
        ("unwanted-554@example.org", "The mail server refused the message (code 554)."),
    ],
)
def test_a_refusal_for_good_is_kept_without_the_servers_own_words(
    box: Postbox, email: str, problem: str
) -> None:
    an_invitation(email)
    assert kept() == ("failed", problem)
    assert not box.mails()


@pytest.mark.parametrize(
    ("email", "problem"),
    [
        ("refused-451@example.org", "The mail server refused the address (code 451)."),
        ("unwanted-452@example.org", "The mail server refused the message (code 452)."),
    ],
)
def test_a_refusal_for_now_leaves_the_message_to_the_next_run(box: Postbox, email: str, problem: str) -> None:
    with pytest.raises(NotNow) as refusal:
        an_invitation(email)
    assert str(refusal.value) == problem
    assert kept() == ("claimed", problem)
    assert Message.objects.get().claimed_by is None
    a_patient("rowan@example.org")
    assert run(Unit.objects.all()).sent.total() == 1, "the others are written to all the same"


def test_without_a_server_the_run_stops_and_the_next_one_sends(box: Postbox, settings: Any) -> None:
    for name in ("rowan", "alder"):
        a_patient(f"{name}@example.org")
    settings.EMAIL_PORT = free_port()
    summary = run(Unit.objects.all())
    assert summary.stopped == "The mail server cannot be reached (ConnectionRefusedError)."
    assert summary.still_due == 2
    settings.EMAIL_PORT = box.port
    assert run(Unit.objects.all()).sent.total() == 2
    assert len(box.mails()) == 2


class Breaks(smtp._DotApart):
    """A connection that breaks before or after the last bytes of a message."""

    before = False

    def send(self, s: Any) -> None:
        if isinstance(s, bytes) and self.before:
            raise ConnectionResetError
        super().send(s)
        if isinstance(s, bytes):
            self.close()


class BreaksBefore(Breaks):
    before = True


def breaking(settings: Any, connection: type[smtplib.SMTP]) -> None:
    class Backend(smtp.EmailBackend):
        connection_class = connection  # type: ignore[assignment]

    globals()["Backend"] = Backend
    settings.EMAIL_BACKEND = f"{__name__}.Backend"


def test_a_connection_lost_before_the_last_bytes_leaves_the_message_unsent(
    box: Postbox, settings: Any
) -> None:
    breaking(settings, BreaksBefore)
    settings.EMAIL_TIMEOUT = 2
    with pytest.raises(NoService, match="lost before it had the message"):
        an_invitation("rowan@example.org")
    assert Message.objects.get().claimed_by is None
    settings.EMAIL_BACKEND = "registry.reminders.smtp.EmailBackend"
    assert run(Unit.objects.all()).sent.total() == 1


def test_a_connection_lost_after_the_last_bytes_is_told_and_the_message_not_sent_again(
    box: Postbox, settings: Any
) -> None:
    breaking(settings, Breaks)
    an_invitation("rowan@example.org")
    assert kept() == ("handed_over", NO_ANSWER)
    settings.EMAIL_BACKEND = "registry.reminders.smtp.EmailBackend"
    assert run(Unit.objects.all()).sent.total() == 0


def test_a_message_called_off_at_the_last_moment_never_arrives(box: Postbox) -> None:
    """The claim is lost between the server's go-ahead and the dot: the server drops what it has."""

    def called_off() -> None:
        raise CannotSend(Hindrance.BEING_SENT)

    backend = smtp.EmailBackend(before_the_dot=called_off)
    backend.open()
    with pytest.raises(CannotSend):
        backend.send_messages([EmailMessage("Hello", "again", to=["rowan@example.org"])])
    backend.close()
    an_invitation("alder@example.org")
    assert [mail["to"] for mail in box.mails()] == ["alder@example.org"]
