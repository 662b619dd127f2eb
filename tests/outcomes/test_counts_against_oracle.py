"""Counts made in the database equal a plain-Python second opinion, on invented knees of every kind."""

from collections import Counter
from unittest.mock import patch

import pandas as pd
import pytest
from django.db import connection
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from outcomes import timeline
from outcomes.cohort import Cohort
from outcomes.counts import count_table
from outcomes.failure import ANY, REOPERATION, FailureDefinition
from outcomes.standing import standings
from outcomes.strata import ACUITY, ZONE
from registry.models import Repair, Unit
from tests import factories
from tests.outcomes import oracle
from tests.outcomes.oracle import EventSpec, KneeSpec, OnTear, TearSpec

LAST_DAY = 1500
# Days near which rules change, so that ties and limits come up often.
DAYS = st.one_of(st.sampled_from([0, 1, 182, 183, 184, 364, 365, 366, 700]), st.integers(0, LAST_DAY))
KINDS = ["visit", "contact", "score", "report", "look", "imaging", "reoperation"]
OTHER_SURGERY = ["none", "ligament", "total_replacement"]
MENISCUS = st.sampled_from(["medial", "lateral"])
YES_NO = st.sampled_from([None, True, False])


@st.composite
def knees(draw: st.DrawFn) -> KneeSpec:
    """A knee with one or two operations, one to three repaired tears, and up to seven events."""
    operations = (0,) if draw(st.booleans()) else (0, draw(DAYS.filter(bool)))
    tears = [TearSpec(0, meniscus=draw(MENISCUS)) for _ in range(draw(st.integers(1, 2)))]
    if len(operations) == 2:
        returned = draw(st.sampled_from([None, *range(len(tears))]))
        treatment = draw(st.sampled_from(["repaired", "removed", "left"]))
        tears.append(TearSpec(1, returned, draw(MENISCUS), treatment))
    events = tuple(draw(st.lists(events_of(tears, operations), max_size=7, unique_by=_once_a_day)))
    last = max([*operations, *(event.day for event in events)])
    died = draw(st.none() | st.integers(last, LAST_DAY + 100))
    return KneeSpec(operations, draw(st.sampled_from([0, 1, 90, 91, 400])), tuple(tears), events, died)


def _once_a_day(event: EventSpec) -> tuple[object, ...]:
    return (event.kind, event.day)


@st.composite
def events_of(draw: st.DrawFn, tears: list[TearSpec], operations: tuple[int, ...]) -> EventSpec:
    """Any event that the record would accept for this knee."""
    kind, day = (
        draw(st.sampled_from(KINDS)),
        draw(DAYS),
    )
    there = [place for place, tear in enumerate(tears) if operations[tear.operation] <= day]
    said = tuple(draw(on_tear(place)) for place in there if draw(st.booleans()))
    return EventSpec(
        kind,
        day,
        effusion=draw(st.sampled_from(["", "none", "slight", "marked"])),
        tender=draw(YES_NO),
        mcmurray=draw(YES_NO),
        lysholm=draw(st.sampled_from([64, 65, None])),
        reoperated_since=draw(st.sampled_from(["not_asked", "no_answer", "no", "yes"])),
        told=draw(st.sampled_from(["no", "yes", "unsure"])),
        other_surgery=draw(st.sampled_from(OTHER_SURGERY if kind == "reoperation" else ["none"])),
        on_tears=said if kind in ("look", "imaging", "reoperation") else (),
        withdrawn=draw(st.sampled_from([False, False, False, True])),
    )  # fmt: skip


@st.composite
def on_tear(draw: st.DrawFn, place: int) -> OnTear:
    return OnTear(
        place,
        thickness=draw(st.sampled_from([None, 0, 49, 50, 51, 100])),
        imaging=draw(st.sampled_from(["", "healed", "partly", "failed"])),
        action=draw(st.sampled_from(["none", "re_repair", "partial_removal", "total_removal", "transplant"])),
        site=draw(st.sampled_from(["same", "new"])),
    )


def knee(*events: EventSpec, died: int | None = None) -> KneeSpec:
    return KneeSpec((0,), 0, (TearSpec(0),), events, died)


REMOVED = (OnTear(0, action="partial_removal"),)
NO_FOLLOW_UP = knee()
SAME_DAY_FAILURE = knee(EventSpec("reoperation", 0, on_tears=REMOVED))
DEATH_ON_DAY_OF_FAILURE = knee(EventSpec("reoperation", 50, on_tears=REMOVED), died=50)
TWO_FAILURES = knee(
    EventSpec("reoperation", 400, on_tears=REMOVED), EventSpec("reoperation", 200, on_tears=REMOVED)
)
SWOLLEN_BY_THE_STAGED_OPERATION = knee(
    EventSpec("reoperation", 170, other_surgery="ligament"), EventSpec("visit", 184, effusion="slight")
)
MENISCUS_GONE = KneeSpec(
    (0,),
    0,
    (TearSpec(0), TearSpec(0)),
    (EventSpec("reoperation", 90, on_tears=(OnTear(1, action="total_removal"),)),),
    None,
)
TREATED_AT_LOOK = knee(EventSpec("look", 95, on_tears=(OnTear(0, thickness=100, action="re_repair"),)))
ENTERED_BY_MISTAKE = knee(
    EventSpec("reoperation", 200, on_tears=REMOVED, withdrawn=True), EventSpec("contact", 300)
)
TOLD_OF_NONE = knee(EventSpec("report", 300, told="no"), EventSpec("report", 400, told="no", withdrawn=True))
TOLD_OF_ANOTHER = knee(
    EventSpec("contact", 200), EventSpec("report", 300, told="yes"), EventSpec("report", 400, told="unsure")
)
STAGED_LOOK = knee(EventSpec("look", 95, on_tears=(OnTear(0, thickness=50),)), EventSpec("contact", 700))
TIES = [
    knee(EventSpec("contact", 300)),
    knee(EventSpec("reoperation", 300, on_tears=REMOVED)),
    knee(died=300),
]


class CountsAgree(TestCase):
    """One transaction an example, rolled back after it."""

    @settings(
        max_examples=60 if connection.vendor == "sqlite" else 20,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow],
        derandomize=True,
        phases=[Phase.explicit, Phase.generate],
    )
    @example([NO_FOLLOW_UP])
    @example([SAME_DAY_FAILURE])
    @example([DEATH_ON_DAY_OF_FAILURE])
    @example([TWO_FAILURES])
    @example([STAGED_LOOK])
    @example([TREATED_AT_LOOK])
    @example([ENTERED_BY_MISTAKE])
    @example([TOLD_OF_NONE, TOLD_OF_ANOTHER])
    @example([SWOLLEN_BY_THE_STAGED_OPERATION])
    @example([MENISCUS_GONE])
    @example(TIES)
    @given(st.lists(knees(), min_size=1, max_size=4))
    def test_counts_and_standings_equal_the_oracle(self, specs: list[KneeSpec]) -> None:
        unit = factories.a_unit("northmere")
        surgeon = factories.a_surgeon(unit, "oak")
        for spec in specs:
            oracle.put_into_record(spec, unit, surgeon)
        for definition, any_failure in ((REOPERATION, False), (ANY, True)):
            counted = _counted(definition, looked_up_share=0)
            assert _rows_of(_counted(definition, looked_up_share=1)) == _rows_of(counted)
            found: Counter[tuple[bool, int, str]] = Counter()
            for row in counted.itertuples(index=False):
                found[row.entry > 0, row.day, row.outcome] += row.n
            expected = oracle.counts(specs, any_failure)
            assert found == expected
            repairs = list(Repair.objects.select_related("tear__procedure"))
            stands = standings(repairs, definition).values()
            assert Counter((stand.duration_days, stand.outcome) for stand in stands) == _without_late(
                expected
            )
            assert all(stand.why for stand in stands if stand.outcome == "failed")
            _holds_patients_entries_and_losses(counted, repairs, definition)


def _counted(definition: FailureDefinition, *, looked_up_share: float) -> pd.DataFrame:
    """All repairs counted, with all events read (0) or the cohort's looked up (1)."""
    with patch.object(timeline, "LOOKED_UP_SHARE", looked_up_share):
        return count_table(
            Cohort(which="all").repairs(Unit.objects.all()), definition, (ZONE, ACUITY), oracle.CLOSED_ON
        )


def _rows_of(counted: pd.DataFrame) -> Counter[tuple[object, ...]]:
    return Counter(counted.itertuples(index=False, name=None))


def _holds_patients_entries_and_losses(counted, repairs, definition):
    """Who has several repairs, since when a late entry is at risk and who was lost, repair by repair."""
    of_patient = Counter(repair.tear.procedure.knee.patient_id for repair in repairs)
    several = {patient: n for patient, n in of_patient.items() if n > 1}
    assert counted[counted["patient"].notna()].groupby("patient")["n"].sum().to_dict() == several
    stands, entries, lost = standings(repairs, definition), Counter(), 0
    for repair in repairs:
        procedure, stand = repair.tear.procedure, stands[repair.pk]
        gap = (repair.recorded_at.date() - procedure.operated_on).days
        entries[gap if gap > procedure.unit.late_entry_after_days else 0] += 1
        followable = (oracle.CLOSED_ON - procedure.operated_on).days
        lost += stand.outcome == "censored" and stand.duration_days < 730 <= followable
    assert counted.groupby("entry")["n"].sum().to_dict() == dict(entries)
    assert int(counted.loc[counted["lost"], "n"].sum()) == lost


def _without_late(expected: Counter[tuple[bool, int, str]]) -> Counter[tuple[int, str]]:
    merged: Counter[tuple[int, str]] = Counter()
    for (_, day, outcome), n in expected.items():
        merged[day, outcome] += n
    return merged


@pytest.mark.parametrize(
    ("spec", "reoperation", "any_failure"),
    [
        (NO_FOLLOW_UP, (0, "censored"), (0, "censored")),
        (SAME_DAY_FAILURE, (0, "failed"), (0, "failed")),
        (DEATH_ON_DAY_OF_FAILURE, (50, "failed"), (50, "failed")),
        (TWO_FAILURES, (200, "failed"), (200, "failed")),
        (TREATED_AT_LOOK, (95, "failed"), (95, "failed")),
        (ENTERED_BY_MISTAKE, (300, "censored"), (0, "censored")),
        (TOLD_OF_NONE, (300, "censored"), (0, "censored")),
        (TOLD_OF_ANOTHER, (200, "censored"), (0, "censored")),
        (STAGED_LOOK, (700, "censored"), (95, "failed")),
        (SWOLLEN_BY_THE_STAGED_OPERATION, (184, "censored"), (184, "censored")),
        (MENISCUS_GONE, (90, "removed_elsewhere"), (90, "removed_elsewhere")),
    ],
)
def test_the_oracle_itself_on_cases_worked_by_hand(spec, reoperation, any_failure):
    assert oracle.outcome(spec, 0, False) == reoperation
    assert oracle.outcome(spec, 0, True) == any_failure
