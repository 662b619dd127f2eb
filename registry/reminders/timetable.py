"""Which message of a link is due. Pure of what is sent, so that a test can walk through the days."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from registry.models import Message
from registry.vocabulary import MessageKind, MessageState

# Days after the message before. Common practice, no source.
SERIES = {MessageKind.INVITATION: 0, MessageKind.REMINDER: 7, MessageKind.LAST_REMINDER: 21}
# One message takes seconds, so a claim that stands longer belongs to a run that is over. To take it from one
# that is only slow does no harm: handing over asks once more whose it is.
CLAIM_HOLDS = timedelta(minutes=10)


def due_kind(messages: Iterable[Message], now: datetime) -> MessageKind | None:
    """The message that a link waits for now, given all its messages so far; None when it waits for none."""
    told = {message.kind: message for message in messages}
    before: Message | None = None
    for kind, days in SERIES.items():
        message = told.get(kind)
        if message is None:
            return kind if before is None or _days_since(before, now) >= days else None
        if message.state == MessageState.CLAIMED:
            return kind if is_free(message, now) else None
        if message.state == MessageState.FAILED:
            # The same address would refuse the next one too; a person has to look.
            return None
        before = message
    return None


def next_kind(messages: Iterable[Message]) -> MessageKind | None:
    """The message that a person may send next, whatever its day; None when all were handed over."""
    handed_over = {message.kind for message in messages if message.state not in _NOT_HANDED_OVER}
    return next((kind for kind in SERIES if kind not in handed_over), None)


def is_free(message: Message, now: datetime) -> bool:
    """Whether a claim may be taken over: given back, or held longer than any run holds one.

    One of a time still to come was made before the clock was set back, and is as good as old.
    """
    return message.claimed_by is None or abs(now - message.claimed_at) >= CLAIM_HOLDS


_NOT_HANDED_OVER = (MessageState.CLAIMED, MessageState.FAILED)


def _days_since(message: Message, now: datetime) -> int:
    """Whole calendar days, so that a daily run is not a day late for a few seconds."""
    return (now.date() - (message.ended_at or message.claimed_at).date()).days
