"""The planned reviews of one knee, in order: for the Knee story and for the knee's page of Due."""

from dataclasses import dataclass
from datetime import date
from typing import Any, Self

from django.urls import reverse
from django.utils import timezone

from registry.access import Action, knees_for
from registry.models import Knee
from registry.models.limits import told
from registry.pages.due.words import TAGS, how_long
from registry.reviews import Review, ReviewState, reviews_of
from registry.vocabulary import TimePoint


@dataclass(frozen=True, slots=True)
class ReviewTold:
    """One review in words."""

    time_point: str
    due_on: date
    state: str
    tag: str
    note: str


@dataclass(frozen=True, slots=True)
class Panel:
    """The reviews of a knee; `url` leads to its page of Due, for who may act."""

    reviews: list[ReviewTold]
    url: str

    @classmethod
    def of(cls, knee: Knee, url: str = "") -> Self:
        today = timezone.localdate()
        return cls([_told(review, today) for review in reviews_of(knee)], url)


def reviews_panel(knee: Knee, person: Any) -> Panel:
    """What templates/registry/due_of_knee.html shows beside the Knee story."""
    may_act = knees_for(person, Action.RECORD_FOLLOW_UP).filter(pk=knee.pk).exists()
    return Panel.of(knee, reverse("due_knee", args=[knee.uuid]) if may_act else "")


def _told(review: Review, today: date) -> ReviewTold:
    state = ReviewState(review.state)
    waits = how_long(review.due_on, review.closes_on, today) if state in TAGS else ""
    answered = told(review.answered_on) if review.answered_on else ""
    return ReviewTold(
        TimePoint(review.time_point).label,
        review.due_on,
        str(state.label),
        TAGS.get(state, ""),
        waits or answered,
    )
