"""Which message is due when, walked through day by day."""

from datetime import UTC, datetime, timedelta
from uuid import uuid4

import pytest

from registry.models import Message
from registry.reminders.timetable import CLAIM_HOLDS, due_kind, next_kind
from registry.vocabulary import MessageKind, MessageState

START = datetime(2026, 3, 2, 8, 0, 5, tzinfo=UTC)
INVITATION, REMINDER, LAST = MessageKind


def a_message(kind: MessageKind, at: datetime, state: MessageState = MessageState.SENT) -> Message:
    ended_at = None if state == MessageState.CLAIMED else at
    return Message(kind=kind, state=state, claimed_at=at, claimed_by=uuid4(), ended_at=ended_at)


def test_three_messages_on_days_0_7_and_28_and_then_none() -> None:
    """Intervals of 7 and 21 days: common practice, no source."""
    messages: list[Message] = []
    days = []
    for day in range(400):
        # A daily run is some seconds early or late.
        now = START + timedelta(days=day, seconds=-3 * (day % 2))
        if kind := due_kind(messages, now):
            messages.append(a_message(kind, now))
            days.append((day, kind))
    assert days == [(0, INVITATION), (7, REMINDER), (28, LAST)]


def test_a_late_message_moves_the_ones_after_it() -> None:
    late = START + timedelta(days=10)
    messages = [a_message(INVITATION, START), a_message(REMINDER, late)]
    assert due_kind(messages, late + timedelta(days=20)) is None
    assert due_kind(messages, late + timedelta(days=21)) == LAST


def test_what_was_handed_over_without_an_answer_is_not_due_again_but_its_reminder_is() -> None:
    messages = [a_message(INVITATION, START, MessageState.HANDED_OVER)]
    assert due_kind(messages, START + timedelta(days=6)) is None
    assert due_kind(messages, START + timedelta(days=7)) == REMINDER


def test_after_a_refusal_nothing_more_is_due_until_a_person_looks() -> None:
    messages = [a_message(INVITATION, START, MessageState.FAILED)]
    assert due_kind(messages, START + timedelta(days=50)) is None
    assert next_kind(messages) == INVITATION


@pytest.mark.parametrize(("age", "due"), [(timedelta(0), None), (CLAIM_HOLDS, INVITATION)])
def test_a_claim_is_left_alone_until_its_run_must_be_over(age: timedelta, due: MessageKind | None) -> None:
    messages = [a_message(INVITATION, START, MessageState.CLAIMED)]
    assert due_kind(messages, START + age) == due


def test_a_claim_given_back_is_due_at_once() -> None:
    message = a_message(INVITATION, START, MessageState.CLAIMED)
    message.claimed_by = None
    assert due_kind([message], START) == INVITATION


def test_a_person_may_send_the_next_one_on_any_day() -> None:
    assert next_kind([]) == INVITATION
    assert next_kind([a_message(INVITATION, START, MessageState.HANDED_OVER)]) == REMINDER
    assert next_kind([a_message(kind, START) for kind in MessageKind]) is None
