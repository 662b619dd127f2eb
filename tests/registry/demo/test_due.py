"""The loaded demo as the pages of follow-up find it: lively, not hopeless, and different by unit."""

from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
from django.db import transaction

from registry import sealing
from registry.demo.cast import Cast
from registry.demo.load import load
from registry.demo.scenario import generate
from registry.demo.truth import Truth
from registry.models import (
    BookedVisit,
    GivenUpReview,
    Message,
    PatientLink,
    PatientReport,
    PlannedTimePoint,
    Unit,
)
from registry.patient_link.screens import Answers, first_not_done, screens_of
from registry.reviews import Reviews, ReviewState, actionable, reviews
from registry.rules.schedule import DEFAULT_PLAN
from tests.registry.demo.conftest import UNTIL

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

PATIENTS = 500
ANSWERED = (ReviewState.ANSWERED, ReviewState.MISSED, ReviewState.OVERDUE)


@pytest.fixture(autouse=True, scope="module")
def loaded(django_db_setup: None, django_db_blocker: Any, truth: Truth) -> Iterator[None]:
    """Loaded once for all tests here, which only look at it; taken back after them."""
    with django_db_blocker.unblock(), transaction.atomic():
        load(generate(PATIENTS, 4, UNTIL, truth), Cast.read(), UNTIL, lambda _: "cobalt-meadow-19")
        yield
        transaction.set_rollback(True)


def over() -> Reviews:
    """Reviews whose window is over."""
    return reviews(Unit.objects.all(), UNTIL).filter(closes_on__lt=UNTIL)


def test_the_due_list_is_lively_but_not_hopeless() -> None:
    states = Counter(row["state"] for row in actionable(Unit.objects.all(), UNTIL))
    assert min(states[each] for each in (ReviewState.OPEN, ReviewState.DUE, ReviewState.OVERDUE)) >= 15
    assert states.total() < PATIENTS / 2
    everything = Counter(row["state"] for row in reviews(Unit.objects.all(), UNTIL))
    assert set(everything) == set(ReviewState.values)


def test_response_differs_by_unit() -> None:
    shares = {}
    for unit in Unit.objects.all():
        states = Counter(row["state"] for row in over() if row["unit_id"] == unit.pk)
        shares[unit.code] = states[ReviewState.ANSWERED] / sum(states[each] for each in ANSWERED)
    assert 0.55 <= shares["sallowmoor"] < shares["ottermere"] < shares["brackwold"] <= 0.93


def test_what_was_given_up_is_a_review_that_was_not_answered() -> None:
    found = {(row["knee_id"], row["time_point"]): row for row in reviews(Unit.objects.all(), UNTIL)}
    current = [
        (given_up, found[given_up.knee_id, given_up.time_point])
        for given_up in GivenUpReview.objects.all()
        if given_up.given_up_on >= found[given_up.knee_id, given_up.time_point]["starts_on"]
    ]
    assert len(current) > 50
    for given_up, review in current:
        assert review["state"] == ReviewState.CLOSED
        assert review["closes_on"] < given_up.given_up_on


def test_what_is_booked_is_for_the_review_that_waits() -> None:
    waiting = {
        (row["knee_id"], row["time_point"]): row["booked_for"]
        for row in actionable(Unit.objects.all(), UNTIL)
    }
    booked = list(BookedVisit.objects.all())
    assert len(booked) > 15
    assert all(waiting[each.knee_id, each.time_point] == each.booked_for for each in booked)


def test_reports_wait_for_somebody_to_look() -> None:
    told = PatientReport.objects.exclude(operated_again="no")
    assert told.filter(reoperation=None, operation=None, no_reoperation_because="").exists()
    assert told.filter(reoperation__isnull=False).exists()
    for report in PatientReport.objects.all():
        words = report.opened()
        assert all(word == "" or word not in str(vars(report)) for word in words.values())
        assert report.operated_again != "no" or not any(words.values())


def test_nobody_who_wishes_no_reminders_has_a_message() -> None:
    assert Message.objects.count() > 100
    assert not Message.objects.filter(link__knee__patient__reminders="none").exists()


def test_half_answers_can_be_gone_on_with() -> None:
    halves = PatientLink.objects.exclude(answers_sealed="")
    assert halves.count() > 1
    for link in halves:
        answers = Answers.read(sealing.unseal(link.answers_sealed))
        assert link.report is not None
        assert link.finished_at is None
        assert answers.report["again"] == link.report.operated_again
        assert all(answers.items.values())
        following = first_not_done(screens_of(link.instruments, answers), answers)
        assert following.key.startswith("koos-")


def test_a_link_is_answered_in_time_and_some_are_open_and_some_are_over() -> None:
    midnight = UNTIL.strftime("%Y-%m-%dT00:00Z")
    assert not PatientLink.objects.filter(finished_at__gt=midnight).exists()
    waiting = PatientLink.objects.filter(finished_at=None)
    assert waiting.filter(expires_at__gt=midnight).exists()
    assert waiting.filter(expires_at__lte=midnight).exists()
    for link in PatientLink.objects.exclude(finished_at=None):
        assert link.finished_at is not None
        assert link.finished_at < link.expires_at


def test_one_unit_asks_more_and_starts_reviews_anew_after_a_staged_operation() -> None:
    own = {row.time_point: row for row in PlannedTimePoint.objects.filter(unit__code="ottermere")}
    assert {code: row.due_day for code, row in own.items()} == {
        review.code: review.due_day for review in DEFAULT_PLAN
    }
    assert own["12m"].instruments == ["koos", "ikdc", "tegner"]
    assert not PlannedTimePoint.objects.exclude(unit__code="ottermere").exists()
    assert [unit.code for unit in Unit.objects.filter(ligament_restarts_reviews=True)] == ["ottermere"]
