"""What to do next about one review: send its link, wait for the answer, or take the phone."""

from dataclasses import dataclass
from datetime import date, datetime
from enum import Enum

from django.utils.formats import date_format

from registry.models import Message, PatientLink
from registry.reminders.run import INVITED
from registry.reminders.timetable import due_kind
from registry.vocabulary import MessageKind, MessageState

# So long after a message nobody is phoned about it. Common practice, no source.
PATIENCE_DAYS = 7


class Do(Enum):
    """The kinds of steps."""

    SEND = "send"
    WAIT = "wait"
    PHONE = "phone"


@dataclass(frozen=True, slots=True)
class Step:
    """A kind of step in words; of what is sent, which message."""

    do: Do
    text: str
    kind: str = ""


PHONE = Step(Do.PHONE, "Phone")


def next_step(
    state: str, booked_for: date | None, link: PatientLink | None, *, reachable: bool, now: datetime
) -> Step:
    """What helps most now. `link` is the latest of the review, `reachable` whether one can be sent."""
    if booked_for:
        return Step(Do.WAIT, f"Visit on {date_format(booked_for, 'j M Y')}")
    messages = list(link.messages.all()) if link and link.is_open(now) else []
    kind = due_kind(messages, now)
    if reachable and kind and (messages or state in INVITED):
        return Step(Do.SEND, f"Send the {MessageKind(kind).label.lower()}", kind)
    if any(_is_fresh(message, now) for message in messages):
        return Step(Do.WAIT, "Wait for the answer")
    return PHONE


def _is_fresh(message: Message, now: datetime) -> bool:
    delivered = message.state in (MessageState.HANDED_OVER, MessageState.SENT)
    return delivered and (now - (message.ended_at or message.claimed_at)).days < PATIENCE_DAYS
