"""One run over all reviews that can be answered: what is due is sent, everything else is counted."""

import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from uuid import UUID, uuid4

from django.db import transaction
from django.db.models import Prefetch, QuerySet
from django.utils import timezone

from registry.models import Knee, Message, PatientLink, Unit
from registry.patient_link import making
from registry.reminders.refusals import CannotSend, Hindrance, NoService
from registry.reminders.send import NO_ANSWER, address_of, claim, deliver, hindrance, lock
from registry.reminders.timetable import CLAIM_HOLDS, due_kind
from registry.reviews import Review, ReviewState, actionable, as_reviews
from registry.vocabulary import MessageKind, MessageState

# Reviews looked at in one go.
BATCH = 500
# A late answer belongs to no review, so nobody is first asked for one; who was asked before is reminded.
INVITED = (ReviewState.OPEN, ReviewState.DUE)


@dataclass(slots=True)
class Summary:
    """What a run did, or would do, in numbers."""

    dry_run: bool = False
    sent: Counter[MessageKind] = field(default_factory=Counter)
    held_back: Counter[Hindrance] = field(default_factory=Counter)
    failed: int = 0
    no_answer: int = 0
    # Handed over by an earlier run that ended before any answer; told once.
    left_over: int = 0
    still_due: int = 0
    stopped: str = ""

    @property
    def needs_a_look(self) -> bool:
        troubles = self.held_back[Hindrance.NOT_NOW] + self.held_back[Hindrance.SEALED_SHUT]
        return bool(self.failed or self.no_answer or self.left_over or self.stopped or troubles)

    def as_json(self) -> dict[str, Any]:
        """The numbers under the names of this class, by code of kind and of hindrance."""
        return {
            name: dict(value) if isinstance(value := getattr(self, name), Counter) else value
            for name in self.__slots__
        }


@dataclass(frozen=True, slots=True)
class Due:
    """One message that waits to be sent about one review."""

    review: Review
    kind: MessageKind


def run(
    units: QuerySet[Unit],
    *,
    dry_run: bool = False,
    limit: int | None = None,
    per_minute: int | None = None,
    sleep: Callable[[float], None] = time.sleep,
    on_step: Callable[[int, int], None] = lambda done, of: None,
) -> Summary:
    """Send what is due, most urgent first, at most `limit` messages and `per_minute` a minute.

    A dry run writes and sends nothing, and opens no identity.
    """
    summary = Summary(dry_run=dry_run)
    due = list(_due(units, timezone.now(), summary))
    now_due = due[:limit]
    summary.still_due = len(due) - len(now_due)
    if dry_run:
        summary.sent.update(one.kind for one in now_due)
        return summary
    summary.left_over = _tell_what_was_left(timezone.now())
    run_id = uuid4()
    for done, one in enumerate(now_due):
        on_step(done, len(now_due))
        if done and per_minute:
            sleep(60 / per_minute)
        try:
            _send(one, run_id, summary)
        except NoService as refusal:
            summary.stopped = str(refusal)
            summary.still_due += len(now_due) - done
            break
    return summary


def _due(units: QuerySet[Unit], now: datetime, summary: Summary) -> Iterator[Due]:
    """What waits to be sent and can be; what cannot is counted."""
    found = as_reviews(actionable(units, now.date()).order_by("due_on", "knee_id"))
    for start in range(0, len(found), BATCH):
        batch = found[start : start + BATCH]
        knees = _knees(review.knee_id for review in batch)
        for review in batch:
            knee = knees[review.knee_id]
            kind = _kind(review, _latest_link(knee.links.all(), review), now)
            if kind is None:
                continue
            if in_the_way := hindrance(knee):
                summary.held_back[in_the_way] += 1
            else:
                yield Due(review, kind)


def _send(due: Due, run_id: UUID, summary: Summary) -> None:
    """Send one message, unless something has changed since it was found due. Raises NoService."""
    knee = _knees([due.review.knee_id])[due.review.knee_id]
    try:
        if in_the_way := hindrance(knee):
            raise CannotSend(in_the_way)
        address = address_of(knee)
        message = deliver(_claim(due.review, knee, run_id), address)
    except NoService:
        raise
    except CannotSend as refusal:
        summary.held_back[refusal.hindrance] += 1
        return
    summary.sent[MessageKind(message.kind)] += message.state == MessageState.SENT
    summary.failed += message.state == MessageState.FAILED
    summary.no_answer += message.state == MessageState.HANDED_OVER


def _claim(review: Review, knee: Knee, run_id: UUID) -> Message:
    """Claim what is due, looked at anew under the knee's lock; a link is made where there is none."""
    with transaction.atomic(durable=True):
        lock(knee)
        now = timezone.now()
        link = _latest_link(PatientLink.objects.filter(knee=knee), review)
        kind = _kind(review, link, now)
        if kind is None:
            raise CannotSend(Hindrance.BEING_SENT)
        return claim(link or making.make_link(knee, review.time_point, None, now=now), kind, run_id, now)


def _kind(review: Review, link: PatientLink | None, now: datetime) -> MessageKind | None:
    """The message that a review waits for now; None when it waits for none."""
    if link is None:
        return MessageKind.INVITATION if review.state in INVITED else None
    return due_kind(link.messages.all(), now) if link.is_open(now) else None


def _latest_link(links: Iterable[PatientLink], review: Review) -> PatientLink | None:
    """The last link made for this review, open or not; links of an operation before it are not counted."""
    own = [
        link
        for link in links
        if link.time_point == review.time_point and link.made_at.date() >= review.starts_on
    ]
    return max(own, key=lambda link: (link.made_at, link.pk), default=None)


def _knees(keys: Iterable[int]) -> dict[int, Knee]:
    """Knees by key, with all that decides whether and how to write."""
    rows = Knee.ever.filter(pk__in=list(keys)).select_related("patient__unit", "patient__identity")
    links = Prefetch("links", PatientLink.objects.prefetch_related("messages"))
    return {knee.pk: knee for knee in rows.prefetch_related("patient__ends_of_follow_up", links)}


def _tell_what_was_left(now: datetime) -> int:
    """Note on each message that an earlier run handed over and heard no more of; how many."""
    left = Message.objects.filter(
        state=MessageState.HANDED_OVER, problem="", claimed_at__lte=now - CLAIM_HOLDS
    )
    return left.update(problem=NO_ANSWER)
