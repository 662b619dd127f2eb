"""Failure known to lie between two days: the intervals against the oracle, the estimate by hand."""

from collections import Counter
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from outcomes.analyses.context import Context
from outcomes.analyses.looks import intervals, looks_result
from outcomes.charts.looks import looks_figure
from outcomes.failure import ANY, REOPERATION
from outcomes.survival import count_repairs
from registry.models import Imaging, ImagingFinding, Repair, SecondLook, SecondLookFinding, Visit
from registry.recording import record
from tests import factories
from tests.outcomes import oracle
from tests.outcomes.analyses.counting import CLOSED_ON, COHORT
from tests.outcomes.oracle import EventSpec, KneeSpec, OnTear, TearSpec
from tests.outcomes.test_counts_against_oracle import knee, knees

REMOVED = (OnTear(0, action="partial_removal"),)
CLEFT = (OnTear(0, thickness=20),)
BEFORE = (EventSpec("visit", 100), EventSpec("contact", 300))
CALLED_THEN_REOPERATED = knee(*BEFORE, EventSpec("reoperation", 500, on_tears=REMOVED))
CALLED_THEN_LOOKED_AT = knee(*BEFORE, EventSpec("look", 500, on_tears=CLEFT))
REMOVED_AT_A_LOOK = knee(
    *BEFORE, EventSpec("look", 500, on_tears=(OnTear(0, thickness=20, action="partial_removal"),))
)
FAILED_ON_DAY_0 = knee(EventSpec("reoperation", 0, on_tears=REMOVED))
STANDING = knee(*BEFORE)


# --- the intervals ----------------------------------------------------------------------------


def interval(spec: KneeSpec, place: int, any_failure: bool) -> tuple[int, int | None]:
    """Slowly and plainly, from the description of a knee: after which day, and not after which."""
    day, outcome = oracle.outcome(spec, place, any_failure)
    if outcome != "failed":
        return day, None
    start = spec.operations[spec.tears[place].operation]
    of_day = [event for event in spec.events if event.day == start + day]
    seen = any_failure and any(oracle._shows_failure(spec, event, place, start) for event in of_day)
    before = [known for known in _known_well(spec, examined=seen) if known < start + day]
    return max([start, *before]) - start, day


def _known_well(spec: KneeSpec, *, examined: bool) -> list[int]:
    """Days on which the knee was examined, operated on or, unless only that counts, told to be well."""
    told = {"contact": True, "score": "reoperated_since", "report": "told"}
    days = list(spec.operations)
    for event in spec.events:
        if event.kind in ("visit", "look", "reoperation"):
            days.append(event.day)
        elif event.kind in told and not examined:
            said = event.kind == "contact" or getattr(event, told[event.kind]) == "no"
            days += [event.day] * said
    return days


class IntervalsAgree(TestCase):
    """One transaction an example, rolled back after it."""

    @settings(
        max_examples=10,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow],
        derandomize=True,
        phases=[Phase.explicit, Phase.generate],
    )
    @example([CALLED_THEN_REOPERATED, CALLED_THEN_LOOKED_AT, REMOVED_AT_A_LOOK, FAILED_ON_DAY_0, STANDING])
    @given(st.lists(knees(), min_size=1, max_size=4))
    def test_intervals_equal_the_plain_answer(self, specs: list[KneeSpec]) -> None:
        unit = factories.a_unit("northmere")
        surgeon = factories.a_surgeon(unit, "oak")
        for spec in specs:
            oracle.put_into_record(spec, unit, surgeon)
        for definition, any_failure in ((REOPERATION, False), (ANY, True)):
            found: Counter[tuple[float, float | None]] = Counter()
            for row in intervals(Repair.objects.all(), definition).itertuples():
                found[row.lower, row.upper if row.upper == row.upper else None] += row.n
            assert found == Counter(
                interval(spec, place, any_failure)
                for spec in specs
                for place, tear in enumerate(spec.tears)
                if tear.treatment == "repaired"
            )


@pytest.mark.parametrize(
    ("spec", "reoperation", "any_failure"),
    [
        (CALLED_THEN_REOPERATED, (300, 500), (300, 500)),
        (CALLED_THEN_LOOKED_AT, (500, None), (100, 500)),
        (REMOVED_AT_A_LOOK, (300, 500), (100, 500)),
        (FAILED_ON_DAY_0, (0, 0), (0, 0)),
        (STANDING, (300, None), (100, None)),
        (KneeSpec((0, 400), 0, (TearSpec(0), TearSpec(1, revises=0)), (), None), (0, 400), (0, 400)),
    ],
)
def test_the_plain_answer_itself_on_cases_worked_by_hand(spec, reoperation, any_failure):
    assert interval(spec, 0, False) == reoperation
    assert interval(spec, 0, True) == any_failure


# --- the estimate -----------------------------------------------------------------------------


def visited(repair, days):
    """A visit without signs."""
    procedure = repair.tear.procedure
    record(Visit(knee=procedure.knee, seen_on=procedure.operated_on + timedelta(days=days), effusion="none"))


def looked_at(repair, days, thickness=20):
    procedure = repair.tear.procedure
    look = SecondLook(
        knee=procedure.knee, looked_on=procedure.operated_on + timedelta(days=days), reason="symptoms"
    )
    found = SecondLookFinding(look=look, tear=repair.tear, healed_thickness_percent=thickness)
    record(look, found)


def imaged_not_healed(repair, days):
    procedure = repair.tear.procedure
    imaging = Imaging(
        knee=procedure.knee, imaged_on=procedure.operated_on + timedelta(days=days), modality="mri"
    )
    record(imaging, ImagingFinding(imaging=imaging, tear=repair.tear, healed="failed"))


@pytest.fixture
def eight(db):
    """Two each of: failed in (0, 180], in (180, 365] and in (200, 390], and standing at 400."""
    unit = factories.a_unit("northmere")
    oak = factories.a_surgeon(unit, "oak")
    made = [factories.a_repair(factories.an_operation(unit, oak)) for _ in range(8)]
    for repair in made[:2]:
        looked_at(repair, 180)
    for repair in made[2:4]:
        visited(repair, 180)
        imaged_not_healed(repair, 365)
    for repair in made[4:6]:
        visited(repair, 200)
        looked_at(repair, 390)
    for repair in made[6:]:
        visited(repair, 400)
        factories.a_contact(repair, 900)
    return made


def result_of(repairs, definition=ANY):
    context = Context.of(COHORT, definition, CLOSED_ON, count_repairs(repairs, definition, (), CLOSED_ON))
    return looks_result(repairs, context)


def test_the_estimate_is_as_by_hand(eight, django_assert_num_queries):
    """By hand: (180, 365] and (200, 390] share (200, 365], so a half lies there, and a quarter before."""
    context = result_of(Repair.objects.all()).context
    with django_assert_num_queries(4):
        result = looks_result(Repair.objects.all(), context)
    assert (result.n, result.events, result.looked_at) == (8, 6, 4)
    assert result.estimate.intervals == ((0, 180), (200, 365), (400, None))
    assert result.estimate.mass == pytest.approx((0.25, 0.5, 0.25), rel=1e-6)
    # Plain, by hand: 2 of 8 on day 180, 2 of 6 on 365, 2 of 4 on 390.
    assert result.curve.survival == pytest.approx((0.75, 0.5, 0.25, 0.25), rel=1e-12)
    # Half of (180, 185, 190) days, two of each.
    assert result.median_gap_days == 185
    assert any("Only 4 of 8 repairs were looked at" in caution for caution in result.cautions)


def test_boxes_span_what_is_unknown_and_the_table_says_the_same(eight):
    figure = looks_figure(result_of(Repair.objects.all()))
    boxes = figure.plot["data"][0]
    assert boxes["fill"] == "toself"
    months = [None if x is None else round(x * 365.25 / 12) for x in boxes["x"]]
    assert months == [0, 180, 180, 0, 0, None, 200, 365, 365, 200, 200, None]
    assert [round(y, 6) for y in boxes["y"] if y is not None] == [
        *(1, 1, 0.75, 0.75, 1),
        *(0.75, 0.75, 0.25, 0.25, 0.75),
    ]
    assert figure.table.rows == (
        ("0", "180", "25.0 %", "75.0 %"),
        ("200", "365", "50.0 %", "25.0 %"),
        ("400", "not seen to fail", "25.0 %", "-"),
    )
    assert "Half of the failures are known to within 6.1 months" in dict(figure.facts)["In words"]


def test_late_entries_are_left_out_and_said(eight):
    old = factories.an_operation(eight[0].tear.procedure.unit, eight[0].tear.procedure.lead_surgeon)
    late = factories.a_repair(old)
    factories.corrected_in_database(late, recorded_at=old.recorded_at + timedelta(days=400))
    looked_at(late, 700)
    result = result_of(Repair.objects.all())
    assert (result.n, result.left_out) == (8, 1)
    assert any("Left out: 1 repair entered later" in caution for caution in result.cautions)
    assert not any("at risk only from the day of entry" in caution for caution in result.cautions)


def test_under_five_repairs_counts_only(eight):
    few = Repair.objects.filter(pk__in=[repair.pk for repair in eight[:4]])
    result = result_of(few)
    assert (result.n, result.events, result.estimate, result.curve) == (4, 4, None, None)
    figure = looks_figure(result)
    assert figure.plot == {}
    assert figure.table.rows == ()
    assert "%" not in dict(figure.facts)["In words"]


def test_without_repairs_nothing_breaks(db):
    result = result_of(Repair.objects.all())
    assert (result.n, result.estimate) == (0, None)
    assert looks_figure(result).plot == {}
