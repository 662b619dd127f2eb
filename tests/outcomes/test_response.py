"""Response rates worked by hand, case by case."""

from datetime import date, timedelta

import pytest

from outcomes.response import NONE, Period, Response, followed, responses, settled
from registry.models import EndOfFollowUp, GivenUpReview, Knee, Reoperation, Unit, User, Visit
from registry.recording import record
from tests import factories
from tests.conftest import Cast

# Operated on 2024-03-01, by the default plan. Day 100: the window of 6 weeks (28 to 56) is over, that of
# 3 months (63 to 119) is open.
START = factories.OPERATED_ON


def on_day(day: int) -> date:
    return START + timedelta(days=day)


def found(
    units: Unit | None = None, day: int = 100, reader: User | None = None, **period: date
) -> dict[str, Response]:
    chosen = Unit.objects.filter(pk=units.pk) if units else Unit.objects.all()
    reader = reader or User.objects.get(username="clinician")
    return responses(settled(chosen, Period(**period), reader, on_day(day)), lambda each: each.time_point)


def knees(cast: Cast, count: int) -> list[Knee]:
    """The knee of the cast and more like it."""
    more = (factories.an_operation(cast.unit, cast.oak) for _ in range(count - 1))
    return [cast.knee, *(factories.a_repair(each).tear.procedure.knee for each in more)]


def seen(knee: Knee, day: int) -> None:
    record(Visit(knee=knee, seen_on=on_day(day)))


def test_worked_by_hand(cast: Cast) -> None:
    first, second, third, fourth, fifth, sixth = knees(cast, 6)
    seen(first, 40)  # 6 weeks answered
    seen(second, 70)  # 6 weeks missed, 3 months answered while its window is open
    record(GivenUpReview(knee=third, given_up_on=on_day(58), time_point="6w", reason="not_reached"))
    # Three who could not answer at 6 weeks, and are asked no more.
    factories.corrected(fourth.patient, died_on=on_day(50))
    record(EndOfFollowUp(patient=fifth.patient, ended_on=on_day(20), reason="withdrew"))
    record(Reoperation(knee=sixth, operated_on=on_day(56), other_surgery="total_replacement"))
    assert found() == {
        "6w": Response(asked=3, answered=1, given_up=1),
        "3m": Response(asked=1, answered=1, given_up=0),
    }


@pytest.mark.parametrize(("day", "asked"), [(56, 0), (57, 1)])
def test_unanswered_counts_from_the_day_after_the_window(cast: Cast, day: int, asked: int) -> None:
    assert found(day=day).get("6w", NONE).asked == asked


def test_given_up_counts_when_its_window_is_over(cast: Cast) -> None:
    record(GivenUpReview(knee=cast.knee, given_up_on=on_day(30), time_point="6w", reason="declined"))
    assert found(day=50) == {}
    assert found(day=57)["6w"] == Response(1, 0, 1)


def test_death_after_the_window_leaves_the_review_unanswered(cast: Cast) -> None:
    factories.corrected(cast.knee.patient, died_on=on_day(57))
    assert found() == {"6w": Response(1, 0, 0)}


def test_units_and_days_of_operation(cast: Cast) -> None:
    assert found(cast.unit)["6w"].asked == 1
    assert found(cast.other_unit) == {}
    assert found(first=START, last=START)["6w"].asked == 1
    assert found(first=on_day(1)) == {}
    assert found(last=on_day(-1)) == {}


def test_the_interval_is_wilsons(cast: Cast) -> None:
    # 81 of 263: 0.2553 to 0.3662, as printed in Newcombe RG, Stat Med 1998;17:857-72, table I (from memory).
    rate = Response(263, 81, 3).rate
    assert rate.lower is not None
    assert rate.upper is not None
    assert (round(rate.lower, 4), round(rate.upper, 4)) == (0.2553, 0.3662)
    assert NONE.rate.estimate is None


def test_surgeons_only_where_the_reader_sees_them(cast: Cast) -> None:
    def by(reader: User) -> set[int | None]:
        return {each.surgeon_id for each in settled(Unit.objects.all(), Period(), reader, on_day(100))}

    assert by(cast.surgeon) == {cast.oak.pk}
    assert by(cast.colleague) == by(cast.audit_lead) == {None}
    factories.corrected(cast.unit, lead_sees_surgeon_results=True)
    assert by(cast.audit_lead) == {cast.oak.pk}


def test_completeness_of_follow_up_by_hand(cast: Cast) -> None:
    first, _ = knees(cast, 2)
    seen(first, 75)
    # 75 of 100 days, and 0 of 100.
    assert followed(Unit.objects.all(), Period(), on_day(100)) == 75 / 200
    assert followed(Unit.objects.all(), Period(first=on_day(1)), on_day(100)) is None


def test_one_query(cast: Cast, django_assert_num_queries: pytest.FixtureRequest) -> None:
    with django_assert_num_queries(1):  # type: ignore[operator]
        settled(Unit.objects.all(), Period(), cast.surgeon, on_day(100))
