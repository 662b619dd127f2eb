"""From the record to survival results: late entries, patients with several repairs, and what is said."""

from datetime import UTC, date, datetime, time, timedelta

import pytest

from outcomes.cohort import Cohort
from outcomes.estimators.survival import kaplan_meier
from outcomes.failure import REOPERATION
from outcomes.strata import ZONE
from outcomes.survival import count_repairs, survival_results
from registry.models import Repair, Unit
from tests import factories

pytestmark = pytest.mark.django_db
CLOSED_ON = date(2026, 11, 1)


@pytest.fixture
def unit():
    return factories.a_unit("northmere")


@pytest.fixture
def oak(unit):
    return factories.a_surgeon(unit, "oak")


@pytest.fixture
def put(unit, oak):
    """Put a repair on record: followed so many days, failed or not, entered so many days late."""

    def one(days, *, failed=False, entered=0, knee=None, operated_on=factories.OPERATED_ON, **tear):
        recorded_at = datetime.combine(operated_on + timedelta(days=entered), time(17), UTC)
        procedure = factories.an_operation(unit, oak, knee, operated_on=operated_on, recorded_at=recorded_at)
        repair = factories.a_repair(procedure, **tear)
        (factories.a_failure if failed else factories.a_contact)(repair, days)
        return repair

    return one


def found(strata=(ZONE,)):
    return survival_results(Cohort(), Unit.objects.all(), REOPERATION, CLOSED_ON, strata)[0]


def test_a_repair_entered_late_is_at_risk_only_from_its_entry(put):
    for days, failed in ((100, True), (300, False), (500, True), (800, False), (900, False)):
        put(days, failed=failed)
    put(600, failed=True, entered=400)
    result = found()
    expected = kaplan_meier([100, 300, 500, 600, 800, 900], [1, 0, 1, 1, 0, 0], entry=[0, 0, 0, 400, 0, 0])
    assert result.overall.curve.survival == expected.survival
    assert result.overall.curve.at_risk == expected.at_risk == (5, 4, 4, 3, 2, 1)
    assert (result.entered_late, result.left_out) == (1, 0)
    assert "1 repair entered later from old notes: at risk only from the day of entry." in result.cautions
    assert "at risk only after their entry" in " ".join(result.methods)


def test_a_repair_that_ended_before_its_entry_was_never_at_risk(put):
    for days in (300, 500, 800):
        put(days)
    put(200, failed=True, entered=400)
    result = found()
    assert (result.overall.curve.n, result.overall.curve.events, result.left_out) == (3, 0, 1)
    said = "Left out: 1 repair whose end was known when entered later from old notes."
    assert said in result.cautions


def test_completeness_counts_the_time_from_entry_on(put):
    put(600, entered=400)
    followable = (CLOSED_ON - factories.OPERATED_ON).days - 400
    assert found().overall.completeness == pytest.approx(200 / followable, rel=1e-12)


def test_repairs_of_one_patient_go_together(put, unit):
    knee = factories.a_knee(unit)
    pair = put(400, failed=True, knee=knee)
    factories.a_repair(pair.tear.procedure, meniscus="lateral", vascular_zone="RW")
    for days, failed in ((200, True), (300, False), (500, False), (700, True), (900, False)):
        put(days, failed=failed, vascular_zone="RW")
    result = found()
    table = count_repairs(Repair.objects.all(), REOPERATION, (), CLOSED_ON).table
    assert table.loc[table["patient"].notna(), "n"].sum() == 2
    # The lateral repair is followed to the reoperation of its knee.
    time_, failed = [400, 400, 200, 300, 500, 700, 900], [1, 0, 1, 0, 0, 1, 0]
    expected = kaplan_meier(time_, failed, cluster=["twice", "twice", None, None, None, None, None])
    assert result.overall.curve.std_error == pytest.approx(expected.std_error, rel=1e-12)
    assert result.overall.curve.robust
    assert any("1 patient has several repairs" in caution for caution in result.cautions)


def test_without_late_entries_or_second_repairs_nothing_is_said_of_them(put):
    for days in (300, 500, 800):
        put(days)
    result = found()
    assert not result.overall.curve.robust
    assert not any("old notes" in caution or "several repairs" in caution for caution in result.cautions)
    assert result.clustered_test is None


def test_three_groups_are_compared_in_pairs_and_for_trend(put):
    for place, zone in enumerate(("RR", "RW", "WW")):
        for number in range(6):
            put(100 * (number + 1) + place, failed=number <= place, vascular_zone=zone)
    result = found()
    assert [(pair.a, pair.b) for pair in result.pairs] == [("RR", "RW"), ("RR", "WW"), ("RW", "WW")]
    assert result.trend is not None
    assert list(result.trend.scores) == ["RR", "RW", "WW"]
    assert result.trend.p < result.comparison.p


def test_nothing_after_the_closing_day_is_counted(put):
    put(100, failed=True)
    put(500, failed=True)
    put(700)
    put(30, operated_on=date(2025, 6, 1))
    closed_on = factories.OPERATED_ON + timedelta(days=400)
    counted = count_repairs(Repair.objects.all(), REOPERATION, (), closed_on)
    rows = counted.table.sort_values("day")[["day", "outcome", "n", "potential_days"]]
    assert rows.to_numpy().tolist() == [[100, "failed", 1, 100], [400, "censored", 2, 800]]
    overall = survival_results(Cohort(), Unit.objects.all(), REOPERATION, closed_on, (ZONE,))[0].overall
    assert overall.completeness == 1
