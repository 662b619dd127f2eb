"""Five entries that must never stand in the record: refused by their page in words, and by the database."""

from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from registry.models import (
    IndexProcedure,
    Reoperation,
    ReoperationOnTear,
    Repair,
    SecondLook,
    SecondLookFinding,
    Tear,
)
from registry.recording import record
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import an_operation_entry, of_tear, path, text

BEFORE = factories.OPERATED_ON - timedelta(days=1)
AFTER = factories.OPERATED_ON + timedelta(days=200)


def refused(write: Callable[[], object]) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        write()


# --- A failure dated before its operation --------------------------------------------------------


def test_page_refuses_a_failure_before_its_operation(cast: Cast) -> None:
    entry = {"operated_on": BEFORE.isoformat(), "other_surgery": "none"}
    removal = of_tear(cast.repair, action="partial_removal", site="same")
    response = cast.client("clinician").post(path(cast, "reoperation"), {**entry, **removal})
    assert response.status_code == 422
    assert "29 Feb 2024 lies before the operation on this knee (1 Mar 2024). Correct it." in text(response)
    assert not Reoperation.objects.exists()
    assert not ReoperationOnTear.objects.exists()


def test_page_refuses_a_failure_before_the_operation_on_that_tear(cast: Cast) -> None:
    """The knee was operated on before, but this tear only later."""
    later = factories.an_operation(cast.unit, cast.oak, cast.knee, operated_on=AFTER, injured_on=None)
    repair = factories.a_repair(later)
    entry = {"operated_on": (AFTER - timedelta(days=1)).isoformat(), "other_surgery": "none"}
    removal = of_tear(repair, action="partial_removal", site="same")
    response = cast.client("clinician").post(path(cast, "reoperation"), {**entry, **removal})
    assert "16 Sep 2024 lies before the operation on the longitudinal-vertical tear" in text(response)
    assert not Reoperation.objects.exists()


def test_database_refuses_a_failure_before_its_operation(cast: Cast) -> None:
    refused(lambda: Reoperation(knee=cast.knee, operated_on=BEFORE).save())
    refused(lambda: Reoperation.objects.bulk_create([Reoperation(knee=cast.knee, operated_on=BEFORE)]))
    again = factories.a_failure(cast.repair, days=100)
    refused(lambda: factories.corrected_in_database(again, operated_on=BEFORE))
    refused(lambda: factories.corrected_in_database(cast.repair.tear.procedure, operated_on=AFTER))


# --- A second finding of one tear in one look ----------------------------------------------------

LOOK = {"looked_on": AFTER.isoformat(), "reason": "symptoms"}


def test_page_refuses_a_second_finding_of_a_tear_in_one_look(cast: Cast) -> None:
    client = cast.client("clinician")
    finding = of_tear(cast.repair, healed_thickness_percent="100", healed_length_percent="100")
    assert client.post(path(cast, "second-look"), {**LOOK, **finding}).status_code == 302
    another = of_tear(cast.repair, healed_thickness_percent="40", healed_length_percent="100")
    response = client.post(path(cast, "second-look"), {**LOOK, **another})
    assert response.status_code == 422
    assert "This tear already has a finding in this second look, which stays. Leave it empty here." in text(
        response
    )
    assert SecondLook.objects.count() == 1
    assert SecondLookFinding.objects.get().healed_thickness_percent == 100


def test_database_refuses_a_second_finding_of_a_tear_in_one_look(cast: Cast) -> None:
    look = SecondLook(knee=cast.knee, looked_on=AFTER, reason="symptoms")
    record(look, SecondLookFinding(look=look, tear=cast.repair.tear))
    again = SecondLookFinding(look=look, tear=cast.repair.tear, healed_thickness_percent=40)
    refused(lambda: SecondLookFinding.objects.bulk_create([again]))
    refused(again.save)
    other = factories.a_repair(cast.repair.tear.procedure, meniscus="lateral")
    sound = SecondLookFinding(look=look, tear=other.tear)
    record(sound)
    refused(lambda: factories.corrected_in_database(sound, tear=cast.repair.tear))


# --- A ramp lesion of the lateral meniscus -------------------------------------------------------


def test_page_refuses_a_lateral_ramp(cast: Cast) -> None:
    changes = {"tear-1-pattern": "ramp", "tear-1-meniscus": "lateral"}
    response = cast.client("surgeon").post(
        "/operations/new/", an_operation_entry(cast, cast.surgeon, changes)
    )
    assert response.status_code == 422
    assert "A ramp lesion on the lateral meniscus: ramp lesions are medial." in text(response)
    assert IndexProcedure.objects.get() == cast.repair.tear.procedure


def test_database_refuses_a_lateral_ramp(cast: Cast) -> None:
    procedure = cast.repair.tear.procedure
    ramp = Tear(procedure=procedure, meniscus="lateral", pattern="ramp", treatment="left")
    refused(lambda: Tear.objects.bulk_create([ramp]))
    refused(ramp.save)
    refused(
        lambda: factories.corrected_in_database(procedure.tears.get(), pattern="ramp", meniscus="lateral")
    )


# --- A repair of a tear marked removed -----------------------------------------------------------


def test_page_refuses_a_repair_of_a_removed_tear(cast: Cast) -> None:
    changes = {"tear-1-treatment": "removed"}
    response = cast.client("surgeon").post(
        "/operations/new/", an_operation_entry(cast, cast.surgeon, changes)
    )
    assert response.status_code == 422
    assert "This tear is marked 'Removed', so it has no repair." in text(response)
    assert IndexProcedure.objects.get() == cast.repair.tear.procedure


def test_database_refuses_a_repair_of_a_removed_tear(cast: Cast) -> None:
    procedure = cast.repair.tear.procedure
    removed = Tear(procedure=procedure, meniscus="lateral", pattern="radial", treatment="removed")
    record(removed)
    repair = Repair(tear=removed, all_inside=True)
    refused(lambda: Repair.objects.bulk_create([repair]))
    refused(repair.save)
    refused(lambda: factories.corrected_in_database(cast.repair, tear=removed))
    refused(lambda: factories.corrected_in_database(cast.repair.tear, treatment="removed"))


# --- A body mass index of 900 --------------------------------------------------------------------


def test_page_refuses_a_bmi_of_900(cast: Cast) -> None:
    response = cast.client("surgeon").post(
        "/operations/new/", an_operation_entry(cast, cast.surgeon, {"operation-bmi": "900"})
    )
    assert response.status_code == 422
    assert "BMI 900 is outside 10 to 80. Correct it, or leave it empty if unknown." in text(response)
    assert IndexProcedure.objects.get() == cast.repair.tear.procedure


@pytest.mark.parametrize("bmi", ["900", "9.9", "80.1"])
def test_database_refuses_a_bmi_outside_10_to_80(cast: Cast, bmi: str) -> None:
    procedure = IndexProcedure(
        knee=cast.knee,
        unit=cast.unit,
        lead_surgeon=cast.oak,
        operated_on=date(2024, 6, 1),
        injury_date_precision="unknown",
        bmi=Decimal(bmi),
    )
    refused(procedure.save)
    refused(lambda: IndexProcedure.objects.bulk_create([procedure]))
    refused(lambda: factories.corrected_in_database(cast.repair.tear.procedure, bmi=Decimal(bmi)))


@pytest.mark.parametrize("bmi", ["10", "80"])
def test_a_bmi_on_the_limits_is_recorded(cast: Cast, bmi: str) -> None:
    factories.corrected_in_database(cast.repair.tear.procedure, bmi=Decimal(bmi))


# --- A tear that returned before it was repaired, or was never repaired ---------------------------


def a_return_of(earlier: Tear, operation: IndexProcedure) -> Tear:
    sound = {"meniscus": "medial", "pattern": "radial", "treatment": "repaired"}
    return Tear(procedure=operation, revises=earlier, **sound)


def test_a_tear_of_the_same_operation_has_not_returned(cast: Cast) -> None:
    with pytest.raises(ValidationError, match="was not operated on before this operation"):
        record(a_return_of(cast.repair.tear, cast.repair.tear.procedure))


@pytest.mark.parametrize("treatment", ["removed", "left", "biology_only"])
def test_a_tear_never_repaired_does_not_return(cast: Cast, treatment: str) -> None:
    earlier = Tear(
        procedure=cast.repair.tear.procedure, meniscus="lateral", pattern="radial", treatment=treatment
    )
    record(earlier)
    later = factories.an_operation(cast.unit, cast.oak, cast.knee, operated_on=AFTER, injured_on=None)
    with pytest.raises(ValidationError, match="only a tear marked repaired or part repaired can return"):
        record(a_return_of(earlier, later))
    sound = a_return_of(cast.repair.tear, later)
    record(sound)
    assert sound.is_revision
