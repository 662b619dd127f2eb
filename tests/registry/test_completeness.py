"""What a whole operation has on record: asked where it applies, told alike by list and by count."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
import time_machine

from registry.completeness import (
    COUNTED,
    REQUIREMENTS,
    Level,
    complete_by_quarter,
    gaps,
    lacking,
    shares,
)
from registry.models import EndOfFollowUp, IndexProcedure, Reoperation, Repair, SecondLook, SuturePass
from registry.recording import record, sign
from registry.rules.indications import PREREQUISITES
from tests import factories
from tests.conftest import Cast
from tests.registry.whole import whole_operation

Changes = dict[str, Any]
ROOT, RAMP = {"pattern": "root", "root_type": "1"}, {"pattern": "ramp", "ramp_type": "1"}
PLANNED_ON = factories.OPERATED_ON + timedelta(days=90)


def missing(procedure: IndexProcedure) -> list[str]:
    return [gap.requirement.code for gap in gaps([procedure.pk])[procedure.pk]]


def is_complete(procedure: IndexProcedure) -> bool:
    return not IndexProcedure.objects.filter(lacking(), pk=procedure.pk).exists()


def test_a_whole_operation_lacks_its_signature_alone(cast: Cast) -> None:
    procedure = whole_operation(cast)
    assert missing(procedure) == ["signed"]
    assert is_complete(procedure)
    sign(procedure, cast.surgeon)
    assert missing(procedure) == []


@pytest.mark.parametrize(
    ("code", "operation", "tear"),
    [
        ("injury-cause", {"injury_cause": ""}, {}),
        ("bmi", {"bmi": None}, {}),
        ("smoking", {"smoking": ""}, {}),
        ("asa", {"asa": None}, {}),
        ("tegner", {"preinjury_tegner": None}, {}),
        *(("prerequisites", {name: "not_assessed"}, {}) for name in PREREQUISITES),
        ("hka", {"hka_deg": None}, {}),
        ("posteromedial-look", {"posteromedial_look": ""}, {}),
        ("posteromedial-look", {"posteromedial_look": "", "acl": "treated_here"}, {}),
        ("posteromedial-look", {"posteromedial_look": "", "acl": "staged"}, {}),
        ("vascular-zone", {}, {"vascular_zone": ""}),
        ("rim-zone", {}, {"rim_zone": None}),
        ("radial-location", {}, {"radial_location": ""}),
        ("depth", {}, {"depth": ""}),
        ("length", {}, {"length_mm": None}),
        ("tissue", {}, {"tissue": ""}),
        ("unstable", {}, {"unstable": None}),
        ("root-type", {}, {**ROOT, "root_type": ""}),
        ("ramp-type", {}, {**RAMP, "ramp_type": ""}),
    ],
)
def test_what_is_left_out_is_missing(cast: Cast, code: str, operation: Changes, tear: Changes) -> None:
    procedure = whole_operation(cast, operation, tear)
    assert missing(procedure) == [code, "signed"]
    assert not is_complete(procedure)


@pytest.mark.parametrize(
    ("operation", "tear"),
    [
        # No angle is asked of an aligned leg, no posteromedial look of a knee with its ACL.
        ({"alignment_acceptable": "yes", "hka_deg": None}, {}),
        ({"acl": "intact", "posteromedial_look": ""}, {}),
        ({"acl": "reconstructed_before", "posteromedial_look": ""}, {}),
        ({"posteromedial_look": "not_looked"}, {}),
        ({"bmi": 10, "preinjury_tegner": 0}, {"unstable": False}),
        ({}, ROOT),
        ({}, RAMP),
    ],
)
def test_what_does_not_apply_is_not_asked(cast: Cast, operation: Changes, tear: Changes) -> None:
    assert missing(whole_operation(cast, operation, tear)) == ["signed"]


def test_a_repair_asks_for_passes_and_for_its_end(cast: Cast) -> None:
    procedure = whole_operation(cast)
    repair = Repair.objects.get(tear__procedure=procedure)
    factories.corrected(repair, stable_at_end=None)
    factories.withdrawn(SuturePass.objects.get(repair=repair))
    assert missing(procedure) == ["passes", "stable-at-end", "signed"]
    factories.withdrawn(repair.tear)
    assert missing(procedure) == ["signed"]


def test_the_plan_of_rehabilitation_counts_not_how_it_went(cast: Cast) -> None:
    procedure = whole_operation(cast)
    factories.corrected(procedure.rehabilitation.get(), course="actual")
    assert missing(procedure) == ["rehabilitation", "signed"]


def test_a_gap_says_of_which_tear(cast: Cast) -> None:
    procedure = whole_operation(cast)
    left = factories.a_tear(procedure, meniscus="lateral", treatment="left")
    found = gaps([procedure.pk])[procedure.pk]
    assert {gap.tear_id for gap in found if gap.requirement.of is Level.TEAR} == {left.pk}
    assert not [gap for gap in found if gap.requirement.of is Level.REPAIR]


# --- staged knees -----------------------------------------------------------------------------


def staged(cast: Cast) -> IndexProcedure:
    return whole_operation(
        cast, {"staging": "repair_first", "ligament_planned_on": PLANNED_ON, "acl": "staged"}
    )


@pytest.mark.parametrize(("days", "asked"), [(0, False), (1, True)])
def test_a_second_look_is_asked_once_its_day_has_passed(cast: Cast, days: int, asked: bool) -> None:
    procedure = staged(cast)
    with time_machine.travel(datetime(2024, 5, 30, 12, tzinfo=UTC) + timedelta(days=days), tick=False):
        assert ("second-look" in missing(procedure)) is asked


def test_a_look_recorded_settles_it(cast: Cast) -> None:
    procedure = staged(cast)
    assert "second-look" in missing(procedure)
    record(SecondLook(knee=procedure.knee, looked_on=PLANNED_ON, reason="staged"))
    assert "second-look" not in missing(procedure)


def test_a_ligament_treated_before_its_day_asks_for_the_look(cast: Cast) -> None:
    procedure = staged(cast)
    with time_machine.travel(datetime(2024, 5, 1, tzinfo=UTC)):
        assert "second-look" not in missing(procedure)
        record(Reoperation(knee=procedure.knee, operated_on=date(2024, 4, 20), other_surgery="ligament"))
        assert "second-look" in missing(procedure)


def test_nobody_is_asked_of_the_dead_or_of_who_left(cast: Cast) -> None:
    dead, gone = staged(cast), staged(cast)
    factories.corrected(dead.knee.patient, died_on=PLANNED_ON)
    record(EndOfFollowUp(patient=gone.knee.patient, ended_on=PLANNED_ON, reason="moved"))
    assert missing(dead) == missing(gone) == ["signed"]


# --- counted ----------------------------------------------------------------------------------


def test_list_and_counts_never_disagree(cast: Cast) -> None:
    whole_operation(cast, {"bmi": None}, {"depth": ""})
    whole_operation(cast, {"bmi": None, "acl": "intact"}, ROOT)
    factories.a_tear(whole_operation(cast), meniscus="lateral", treatment="left")
    operations = IndexProcedure.objects.all()
    listed = [gap for found in gaps([each.pk for each in operations]).values() for gap in found]
    counted = shares(operations)
    assert set(counted) == {each.code for each in REQUIREMENTS}
    for each in REQUIREMENTS:
        of_it = [gap for gap in listed if gap.requirement == each]
        assert counted[each.code].lacking == len(of_it)
        with_it = operations.filter(lacking([each]))
        assert {gap.operation_id for gap in of_it} == {operation.pk for operation in with_it}
    assert (counted["bmi"].asked, counted["bmi"].lacking, counted["bmi"].present) == (4, 3, 1)
    assert (counted["depth"].asked, counted["depth"].lacking) == (5, 3)
    assert (counted["root-type"].asked, counted["root-type"].lacking) == (1, 0)
    assert (counted["hka"].asked, counted["hka"].lacking) == (3, 0)


def test_complete_ones_are_counted_by_quarter(cast: Cast) -> None:
    for operated_on in (date(2024, 3, 31), date(2024, 4, 1), date(2024, 6, 30)):
        whole_operation(cast, {"operated_on": operated_on})
    whole_operation(cast, {"operated_on": date(2024, 5, 1), "bmi": None})
    rows = complete_by_quarter(IndexProcedure.objects.all(), "unit").order_by("quarter")
    assert [(row["quarter"], row["asked"], row["lacking"]) for row in rows] == [
        (date(2024, 1, 1), 2, 1),
        (date(2024, 4, 1), 3, 1),
    ]


def test_signature_and_second_look_are_told_but_not_counted() -> None:
    assert [each.code for each in REQUIREMENTS if each not in COUNTED] == ["signed", "second-look"]
