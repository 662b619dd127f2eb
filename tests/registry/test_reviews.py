"""Planned reviews, case by case."""

from datetime import date, timedelta
from typing import Any

import pytest

from registry.models import (
    BookedVisit,
    Contact,
    EndOfFollowUp,
    GivenUpReview,
    IndexProcedure,
    Knee,
    PatientReport,
    PlannedTimePoint,
    Reoperation,
    ScoreResponse,
    Unit,
    Visit,
)
from registry.recording import record
from registry.reviews import ReviewState, actionable, as_reviews, current_review, reviews, reviews_of
from registry.rules.schedule import DEFAULT_PLAN
from tests import factories
from tests.conftest import Cast

START = factories.OPERATED_ON
TODAY = date(2025, 6, 1)  # day 457: the 12-month window (309 to 421) is over, that of 24 months lies ahead


def on_day(day: int) -> date:
    return START + timedelta(days=day)


def visit(knee: Knee, day: int) -> Visit:
    return Visit(knee=knee, seen_on=on_day(day))


def report(knee: Knee, day: int, answer: str = "no") -> PatientReport:
    return PatientReport(knee=knee, answered_on=on_day(day), operated_again=answer)


def score(knee: Knee, day: int) -> ScoreResponse:
    return ScoreResponse(knee=knee, answered_on=on_day(day), instrument="sane", items={"percent": 80})


def given_up(knee: Knee, day: int, time_point: str) -> GivenUpReview:
    return GivenUpReview(knee=knee, given_up_on=on_day(day), time_point=time_point, reason="not_reached")


def states(knee: Knee, on: date = TODAY) -> dict[str, str]:
    return {each.time_point: each.state for each in reviews_of(knee, on)}


def test_the_default_plan_of_a_knee_never_seen(cast: Cast) -> None:
    assert states(cast.knee) == {
        "6w": "missed",
        "3m": "missed",
        "6m": "missed",
        "12m": "overdue",
        "24m": "planned",
        "60m": "planned",
        "120m": "planned",
    }
    found = current_review(cast.knee, TODAY)
    assert found is not None
    assert (found.time_point, found.due_on, found.opens_on, found.closes_on) == (
        "12m",
        on_day(365),
        on_day(309),
        on_day(421),
    )
    assert (found.patient_id, found.unit_id, found.surgeon_id, found.operation_id) == (
        cast.knee.patient_id,
        cast.unit.pk,
        cast.oak.pk,
        cast.repair.tear.procedure_id,
    )
    assert found.instruments == ("koos",)


@pytest.mark.parametrize(
    ("day", "state"),
    [(27, "planned"), (28, "open"), (41, "open"), (42, "due"), (56, "due"), (57, "overdue"), (62, "overdue")],
)
def test_a_window_from_its_first_day_to_its_last(cast: Cast, day: int, state: str) -> None:
    # 6 weeks: due on day 42, two weeks each way; the 3-month window opens on day 63 (91 - 28).
    assert states(cast.knee, on_day(day))["6w"] == state


def test_an_overdue_review_is_missed_when_the_next_one_opens(cast: Cast) -> None:
    assert (states(cast.knee, on_day(62))["6w"], states(cast.knee, on_day(63))["6w"]) == ("overdue", "missed")
    assert states(cast.knee, on_day(63))["3m"] == "open"


@pytest.mark.parametrize("row", [visit, report, score])
@pytest.mark.parametrize(
    ("day", "state"), [(308, "overdue"), (309, "answered"), (421, "answered"), (422, "missed")]
)
def test_what_answers_a_review_and_when(cast: Cast, row: Any, day: int, state: str) -> None:
    record(row(cast.knee, day))
    (found,) = [each for each in reviews_of(cast.knee, TODAY) if each.time_point == "12m"]
    assert found.state == state
    assert found.answered_on == (on_day(day) if state == "answered" else None)
    waiting = current_review(cast.knee, TODAY)
    assert (waiting is not None) == (state == "overdue")


def test_a_call_answers_no_review(cast: Cast) -> None:
    record(Contact(knee=cast.knee, contacted_on=on_day(365), source="phone"))
    assert states(cast.knee)["12m"] == "overdue"


def test_a_withdrawn_answer_answers_nothing(cast: Cast) -> None:
    seen = visit(cast.knee, 365)
    record(seen)
    factories.withdrawn(seen)
    assert states(cast.knee)["12m"] == "overdue"


def test_a_review_given_up_is_closed_until_that_is_withdrawn(cast: Cast) -> None:
    gone = given_up(cast.knee, 430, "12m")
    record(gone)
    assert states(cast.knee)["12m"] == "closed"
    assert current_review(cast.knee, TODAY) is None
    factories.withdrawn(gone)
    assert states(cast.knee)["12m"] == "overdue"


@pytest.mark.parametrize(("day", "state"), [(421, "closed"), (422, "missed")])
def test_death_closes_what_its_window_still_held(cast: Cast, day: int, state: str) -> None:
    factories.corrected(cast.knee.patient, died_on=on_day(day))
    found = states(cast.knee)
    assert (found["6m"], found["12m"], found["24m"]) == ("missed", state, "closed")


def test_an_end_of_follow_up_closes_too(cast: Cast) -> None:
    record(EndOfFollowUp(patient=cast.knee.patient, ended_on=on_day(400), reason="withdrew"))
    assert states(cast.knee)["12m"] == "closed"
    assert states(cast.knee, on_day(399))["12m"] == "due"


def test_a_replaced_knee_is_waited_for_no_longer(cast: Cast) -> None:
    record(Reoperation(knee=cast.knee, operated_on=on_day(350), other_surgery="total_replacement"))
    assert states(cast.knee)["12m"] == "closed"


def test_a_changed_plan_tells_at_once(cast: Cast) -> None:
    record(
        PlannedTimePoint(
            unit=cast.unit, time_point="12m", due_day=450, window_days=20, instruments=["ikdc", "sane"]
        )
    )
    (found,) = reviews_of(cast.knee, TODAY)
    assert (found.time_point, found.state, found.due_on) == ("12m", "due", on_day(450))
    assert found.instruments == ("ikdc", "sane")


@pytest.mark.parametrize("restarts", [True, False])
@pytest.mark.parametrize("as_index", [True, False])
def test_a_staged_ligament_operation_restarts_reviews_where_the_unit_says_so(
    cast: Cast, restarts: bool, as_index: bool
) -> None:
    factories.corrected(cast.unit, ligament_restarts_reviews=restarts)
    staged = factories.an_operation(cast.unit, cast.oak, acl="staged", staging="repair_first")
    factories.a_repair(staged)
    if as_index:
        factories.an_operation(
            cast.unit, cast.oak, staged.knee, operated_on=on_day(100), acl="treated_here", graft="hamstring"
        )
    else:
        record(Reoperation(knee=staged.knee, operated_on=on_day(100), other_surgery="ligament"))
    starts = {each.starts_on for each in reviews_of(staged.knee, TODAY)}
    assert starts == {on_day(100 if restarts else 0)}


def test_a_later_repair_starts_anew_and_an_operation_without_one_does_not(cast: Cast) -> None:
    later = factories.an_operation(cast.unit, cast.oak, cast.knee, operated_on=on_day(200))
    assert {each.starts_on for each in reviews_of(cast.knee, TODAY)} == {START}
    factories.a_repair(later)
    assert {each.starts_on for each in reviews_of(cast.knee, TODAY)} == {on_day(200)}
    factories.withdrawn(later)
    assert {each.starts_on for each in reviews_of(cast.knee, TODAY)} == {START}


def test_a_visit_booked_from_today_on_is_told(cast: Cast) -> None:
    for day in (456, 470, 460):
        record(BookedVisit(knee=cast.knee, booked_for=on_day(day)))
    found = current_review(cast.knee, TODAY)
    assert found is not None
    assert found.booked_for == on_day(460)


def test_only_knees_of_the_units_asked_for(cast: Cast) -> None:
    elsewhere = Unit.objects.filter(pk=cast.other_unit.pk)
    assert not reviews(elsewhere, TODAY).exists()
    assert not actionable(elsewhere, TODAY).exists()
    assert actionable(Unit.objects.filter(pk=cast.unit.pk), TODAY).count() == 1


def test_every_state_has_its_word() -> None:
    assert set(ReviewState.values) == {
        "planned", "open", "due", "overdue", "answered", "missed", "closed",
    }  # fmt: skip


def test_one_query_however_many_knees(cast: Cast, django_assert_num_queries: Any) -> None:
    for _ in range(5):
        factories.a_repair(factories.an_operation(cast.unit, cast.oak))
    with django_assert_num_queries(2):  # the reviews, and what the plan asks
        assert len(as_reviews(reviews(Unit.objects.all(), TODAY))) == 6 * len(DEFAULT_PLAN)
    assert IndexProcedure.objects.count() == 6
