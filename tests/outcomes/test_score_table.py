"""A cohort's scores by knee and time point: which score counts, who could have answered, nothing rounded."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from outcomes.score_table import BEFORE, score_table
from registry.models import PlannedTimePoint, Repair, ScoreResponse
from registry.recording import record
from registry.rules.schedule import DEFAULT_PLAN
from registry.scoring import INSTRUMENTS
from tests import factories

pytestmark = pytest.mark.django_db

LYSHOLM = INSTRUMENTS["lysholm"]
BEST = {item.code: max(item.allowed) for item in LYSHOLM.items}
WORSE = {**BEST, "pain": 0}  # 75
HALF = {"limp": 5}
LATE = date(2035, 1, 1)  # every window of an operation of 2024 is over
DUE = {review.code: review.due_day for review in DEFAULT_PLAN}
WINDOW = {review.code: review.window_days for review in DEFAULT_PLAN}


def a_score(knee, days, items=BEST, instrument="lysholm"):
    day = factories.OPERATED_ON + timedelta(days=days)
    record(ScoreResponse(knee=knee, answered_on=day, instrument=instrument, items=items))


def table(on=LATE, instrument="lysholm", scale="total"):
    return score_table(Repair.objects.all(), instrument, scale, on)


def of(knee, found=None):
    """The scores of one knee that there are, by time point."""
    row = (found or table()).scores.loc[knee.pk]
    return {point: value for point, value in row.items() if not np.isnan(value)}


# --- which score counts -------------------------------------------------------------------------


def test_before_is_the_last_on_or_before_the_day_of_operation(cast):
    a_score(cast.knee, -40, WORSE)
    a_score(cast.knee, -3)
    assert of(cast.knee) == {BEFORE: 100}
    a_score(cast.knee, 0, WORSE)
    assert of(cast.knee) == {BEFORE: 75}
    a_score(cast.knee, 1)
    assert of(cast.knee) == {BEFORE: 75}


def test_at_a_time_point_counts_the_nearest_to_the_due_day(cast):
    a_score(cast.knee, DUE["12m"] - 20)
    a_score(cast.knee, DUE["12m"] + 10, WORSE)
    assert of(cast.knee) == {"12m": 75}


def test_of_two_as_near_the_earlier_counts(cast):
    a_score(cast.knee, DUE["12m"] + 10)
    a_score(cast.knee, DUE["12m"] - 10, WORSE)
    assert of(cast.knee) == {"12m": 75}


@pytest.mark.parametrize("side", [-1, 1])
def test_the_window_holds_its_last_day_and_no_other(cast, side):
    a_score(cast.knee, DUE["24m"] + side * WINDOW["24m"])
    assert of(cast.knee) == {"24m": 100}
    other = factories.a_repair(factories.an_operation(cast.unit, cast.oak)).tear.procedure.knee
    a_score(other, DUE["24m"] + side * (WINDOW["24m"] + 1))
    assert of(other) == {}


def test_what_cannot_be_scored_gives_way_to_what_can_and_is_counted_only_alone(cast):
    a_score(cast.knee, DUE["6m"], HALF)
    found = table()
    assert of(cast.knee, found) == {}
    assert found.not_scorable["6m"] == 1
    a_score(cast.knee, DUE["6m"] + 20)
    found = table()
    assert of(cast.knee, found) == {"6m": 100}
    assert found.not_scorable["6m"] == 0


def test_a_unit_with_its_own_plan_goes_by_it(cast):
    for code, due, window in (("12m", 400, 5), ("3m", 100, 5)):
        record(PlannedTimePoint(unit=cast.unit, time_point=code, due_day=due, window_days=window))
    a_score(cast.knee, DUE["12m"])
    a_score(cast.knee, 403, WORSE)
    found = table()
    assert found.points == [BEFORE, "3m", "12m"]
    assert of(cast.knee, found) == {"12m": 75}


def test_time_runs_from_the_first_repair_of_the_knee_and_one_knee_is_one_row(cast):
    again = factories.an_operation(
        cast.unit, cast.oak, cast.knee, operated_on=factories.OPERATED_ON + timedelta(days=200)
    )
    factories.a_repair(again, meniscus="lateral")
    factories.a_repair(again, pattern="radial")
    a_score(cast.knee, DUE["12m"])
    found = table()
    assert len(found.scores) == 1
    assert of(cast.knee, found) == {"12m": 100}


def test_other_forms_other_scales_and_what_was_withdrawn_stay_out(cast):
    a_score(cast.knee, DUE["12m"], {"level": 4}, "tegner")
    assert of(cast.knee) == {}
    assert of(cast.knee, table(instrument="tegner")) == {"12m": 4}
    factories.withdrawn(ScoreResponse.objects.get(instrument="tegner"))
    assert of(cast.knee, table(instrument="tegner")) == {}


def test_a_score_comes_from_the_database_unrounded(cast):
    # 29 of 36 points: the very lattice score that a printed cut of 80.6 was rounded from.
    pain = {f"P{number}": 0 for number in range(1, 10)} | {"P1": 4, "P2": 3}
    a_score(cast.knee, DUE["12m"], pain, "koos")
    assert of(cast.knee, table(instrument="koos", scale="pain")) == {"12m": 2900 / 36}
    assert of(cast.knee, table(instrument="koos", scale="qol")) == {}


def test_many_knees_against_a_plain_reading(cast):
    """The same choice by loops over the answers, one knee at a time."""
    random = np.random.default_rng(11)
    answers = {}
    for _ in range(12):
        knee = factories.a_repair(factories.an_operation(cast.unit, cast.oak)).tear.procedure.knee
        days = sorted(set(random.integers(-60, 900, 8).tolist()))
        answers[knee] = [(day, float(random.choice([75, 100]))) for day in days]
        for day, value in answers[knee]:
            a_score(knee, day, WORSE if value == 75 else BEST)
    found = table()
    for knee, given in answers.items():
        expected = {}
        if before := [value for day, value in given if day <= 0]:
            expected[BEFORE] = before[-1]
        for review in DEFAULT_PLAN:
            near = [
                (abs(day - review.due_day), day, value)
                for day, value in given
                if day > 0 and abs(day - review.due_day) <= review.window_days
            ]
            if near:
                expected[review.code] = min(near)[2]
        assert of(knee, found) == expected


# --- who could have answered --------------------------------------------------------------------


def test_a_time_point_is_reached_when_its_window_is_over(cast):
    over = factories.OPERATED_ON + timedelta(days=DUE["12m"] + WINDOW["12m"])
    assert table(on=over).reached["12m"] == 0
    assert table(on=over + timedelta(days=1)).reached["12m"] == 1
    assert table(on=over).points == [BEFORE, "6w", "3m", "6m"]


def test_who_answered_early_in_the_window_has_reached_it(cast):
    a_score(cast.knee, DUE["12m"] - 10)
    assert table(on=factories.OPERATED_ON + timedelta(days=DUE["12m"] - 5)).reached["12m"] == 1


def test_the_dead_reach_nothing_more(cast):
    died_on = factories.OPERATED_ON + timedelta(days=DUE["6m"] + WINDOW["6m"] + 1)
    factories.corrected(cast.knee.patient, died_on=died_on)
    reached = table().reached
    assert (reached[BEFORE], reached["6m"], reached["12m"]) == (1, 1, 0)


def test_repairs_entered_late_are_left_out_and_counted(cast):
    procedure = factories.an_operation(cast.unit, cast.oak, recorded_at=datetime(2025, 3, 1, tzinfo=UTC))
    late = factories.a_repair(procedure).tear.procedure.knee
    a_score(late, DUE["12m"])
    found = table()
    assert found.entered_late == 1
    assert late.pk not in found.scores.index
    assert cast.knee.pk in found.scores.index


def test_a_cohort_of_nobody(cast):
    found = score_table(Repair.objects.none(), "lysholm", "total", LATE)
    assert (len(found.scores), found.points, found.entered_late) == (0, [], 0)
