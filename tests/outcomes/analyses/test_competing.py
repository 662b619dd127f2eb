"""Cumulative incidence of what ends a repair, from the record to the estimate, held against lifelines."""

from datetime import UTC, date, datetime, timedelta
from fractions import Fraction

import numpy as np
import pytest
from lifelines import AalenJohansenFitter
from lifelines.statistics import logrank_test

from outcomes.analyses.competing import NOT_ONE_MINUS_SURVIVAL, competing_result
from outcomes.estimators.survival import kaplan_meier
from outcomes.strata import ZONE
from registry.models import Reoperation
from registry.recording import record
from tests import factories
from tests.outcomes.analyses.counting import of_rows, of_the_record

# No two on one day: lifelines moves tied times at random.
RED_RED = [
    (110, "failed"), (205, "died"), (300, "failed"), (420, "replaced"), (500, "censored"), (610, "failed"),
    (700, "censored"), (880, "censored"),
]  # fmt: skip
RED_WHITE = [
    (60, "failed"), (90, "failed"), (150, "died"), (260, "failed"), (350, "censored"), (470, "failed"),
    (580, "replaced"), (650, "censored"), (905, "censored"),
]  # fmt: skip
CAUSES = ("failed", "died", "replaced")


def on_record(cast, outcome, day, zone):
    """A repair that ended so, that many days after the operation."""
    repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak), vascular_zone=zone)
    knee, on = repair.tear.procedure.knee, factories.OPERATED_ON + timedelta(days=day)
    if outcome == "failed":
        factories.a_failure(repair, day)
    elif outcome == "died":
        factories.corrected(knee.patient, died_on=on)
    elif outcome == "replaced":
        record(Reoperation(knee=knee, operated_on=on, other_surgery="total_replacement"))
    else:
        factories.a_contact(repair, day)
    return repair


@pytest.fixture
def seventeen(cast):
    """Eight repairs red-red and nine red-white, and the cast's own, entered today and never heard of."""
    for zone, rows in (("RR", RED_RED), ("RW", RED_WHITE)):
        for day, outcome in rows:
            on_record(cast, outcome, day, zone)


def by_lifelines(rows, cause):
    """The incidence of a cause on the days of `rows`, where censored is 0."""
    days, ends = zip(*sorted(rows), strict=True)
    with np.errstate(all="ignore"):
        fitted = AalenJohansenFitter(calculate_variance=False).fit(
            days, [("censored", *CAUSES).index(end) for end in ends], CAUSES.index(cause) + 1
        )
    return [float(fitted.cumulative_density_.loc[day].iloc[0]) for day in days]


def near(found, expected):
    return np.allclose(found, expected, rtol=1e-9, atol=0)


def test_each_cause_from_the_record_is_as_in_lifelines(seventeen):
    result = competing_result(*of_the_record())
    rows = [(0, "censored"), *RED_RED, *RED_WHITE]
    assert [course.code for course in result.courses] == [*CAUSES, "removed_elsewhere"]
    for course in result.courses[:3]:
        assert course.group.n == 18
        assert course.steps.events == sum(outcome == course.code for _, outcome in rows)
        assert near(course.steps.incidence, by_lifelines(rows, course.code))
    assert result.courses[3].steps.events == 0
    # Whatever ended it or not, every repair is somewhere: the shares and Kaplan-Meier of any end sum to 1.
    days, ends = zip(*rows, strict=True)
    standing = kaplan_meier(days, [end != "censored" for end in ends]).survival
    assert near(np.sum([course.steps.incidence for course in result.courses], axis=0) + standing, 1)


def test_failure_by_level_is_as_in_lifelines_and_so_is_its_test(seventeen):
    result = competing_result(*of_the_record(), ZONE)
    red_red, red_white = result.courses
    own = [(0, "censored"), *RED_RED]
    assert near(red_red.steps.incidence, by_lifelines(own, "failed"))
    assert near(red_white.steps.incidence, by_lifelines(RED_WHITE, "failed"))
    (a_days, a_ends), (b_days, b_ends) = zip(*own, strict=True), zip(*RED_WHITE, strict=True)
    with np.errstate(all="ignore"):
        expected = logrank_test(
            a_days, b_days, [end == "failed" for end in a_ends], [end == "failed" for end in b_ends]
        )
    assert near(result.test.statistic, expected.test_statistic)
    assert near(result.test.p, expected.p_value)
    assert result.test.method.startswith("For failure, repairs that another cause ended count as censored")


def test_another_tear_ends_a_repair_without_being_its_failure(cast):
    first = on_record(cast, "censored", 30, "RR")
    knee = first.tear.procedure.knee
    later = factories.an_operation(cast.unit, cast.oak, knee, operated_on=date(2024, 6, 1))
    factories.a_failure(factories.a_repair(later, pattern="radial"), 200, action="total_removal")
    result = competing_result(*of_the_record())
    ended = {course.code: course.steps.events for course in result.courses}
    assert ended == {"failed": 1, "died": 0, "replaced": 0, "removed_elsewhere": 1}
    assert result.courses[0].group.robust
    assert (
        "1 patient has several repairs, which go together: intervals take the patient as cluster."
        in result.cautions
    )


def test_repairs_entered_late_are_at_risk_from_their_entry_on(cast):
    for day in (100, 400):
        on_record(cast, "failed", day, "RR")
    on_record(cast, "censored", 600, "RR")
    late = datetime(2024, 9, 17, tzinfo=UTC)  # 200 days after the operation
    old = factories.a_repair(factories.an_operation(cast.unit, cast.oak, recorded_at=late))
    factories.a_contact(old, 700)
    failure = competing_result(*of_the_record()).courses[0]
    # By hand: the cast's own leaves on day 0. Day 100: 1 of 3. Day 400: 1 of the 2 left and the late one.
    by_hand = Fraction(1, 3) + Fraction(2, 3) * Fraction(1, 3)
    assert failure.group.at_risk == (4, 3, 3, 2, 1)
    assert failure.steps.incidence[-1] == pytest.approx(float(by_hand), rel=1e-12)


def test_of_fewer_than_five_no_percentage_and_of_none_nothing_is_told():
    four = competing_result(*of_rows(*RED_RED[:4]))
    assert not any(course.is_shown for course in four.courses)
    assert "Fewer than 5 repairs: counts only." in four.cautions
    none = competing_result(*of_rows())
    assert none.courses == ()
    assert none.test is None
    assert competing_result(*of_rows(), ZONE).courses == ()


def test_what_is_shown_is_a_risk_and_says_why(seventeen):
    result = competing_result(*of_the_record())
    assert NOT_ONE_MINUS_SURVIVAL in result.notes
    failure = result.courses[0]
    days, ends = zip((0, "censored"), *RED_RED, *RED_WHITE, strict=True)
    standing = kaplan_meier(days, [end == "failed" for end in ends]).survival[-1]
    assert failure.steps.incidence[-1] < 1 - standing


def test_unknown_levels_are_shown_and_not_tested():
    zones = ["RR"] * 8 + [""] * 9
    counted, context = of_rows(*RED_RED, *RED_WHITE, zone=[zone or "unknown" for zone in zones])
    result = competing_result(counted, context, ZONE)
    assert [course.label for course in result.courses] == ["Red-red", "Not recorded"]
    assert result.test is None
    assert "Not recorded (n = 9) is shown but left out of the test." in result.notes
    assert ZONE.caution in result.cautions
