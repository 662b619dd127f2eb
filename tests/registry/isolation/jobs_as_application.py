# ruff: noqa: S608 - names of tables
"""What no request does itself, as the application's role: run by test_journeys.py, not by the suite."""

from datetime import date
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import connection

from outcomes.release import making
from registry.isolation import scope
from registry.models import Erasure, Implant, IndexProcedure, LotLookUp, Patient, User
from registry.recording import record
from registry.rights.erasing import Request, erase
from registry.rights.looks import looks_at
from tests import factories
from tests.as_application import as_application
from tests.conftest import Cast
from tests.outcomes.release.asking import asked


def seen(table: str) -> int:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT count(*) FROM {table}")
        found: int = cursor.fetchone()[0]
    return found


def test_one_request_leaves_nothing_for_the_next(cast: Cast) -> None:
    """The same connection, another person: each sees their own unit, and in between nobody anything."""
    factories.an_operation(cast.other_unit, factories.a_surgeon(cast.other_unit, "ash"))
    for who, status in (("surgeon", 200), ("stranger", 404), ("nobody", 302), ("surgeon", 200)):
        assert cast.client(who).get(f"/knees/{cast.knee.uuid}/").status_code == status
        with as_application():
            assert seen("registry_patient") == 0
            assert scope.now() == scope.NOBODY


def test_a_request_that_fails_leaves_nothing_either(cast: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    client = cast.client("surgeon")
    client.raise_request_exception = False
    monkeypatch.setattr("registry.pages.knee_story.knee_for", lambda *_: 1 / 0)
    assert client.get(f"/knees/{cast.knee.uuid}/").status_code == 500
    with as_application():
        assert seen("registry_patient") == 0


def test_within_shows_the_units_named_and_then_no_more(cast: Cast) -> None:
    with as_application():
        with scope.within([cast.unit.pk]):
            assert seen("registry_patient") == 1
            with scope.within([cast.other_unit.pk]):
                assert seen("registry_patient") == 0
            assert seen("registry_patient") == 1
        with scope.whole_house():
            assert seen("registry_unit") == 2
        assert seen("registry_unit") == 0


def test_what_is_recorded_shows_at_once_to_whoever_recorded_it(cast: Cast) -> None:
    with as_application(), scope.within([cast.unit.pk]):
        operation = factories.an_operation(cast.unit, cast.oak)
        factories.a_repair(operation)
        assert seen("registry_repair") == 2
        factories.corrected(operation, bmi=25)


def test_a_job_sees_its_unit_and_asks_the_usual_gate(cast: Cast) -> None:
    refused = pytest.raises(ValidationError, match="not among those you may use")
    with as_application(), scope.of_job([cast.unit.pk], cast.coordinator.pk), refused:
        making.gate(asked(cast.unit), cast.coordinator)


@pytest.mark.parametrize("everything", [True, False])
def test_an_erasure_takes_what_the_application_may_not(cast: Cast, everything: bool) -> None:
    patient, by = cast.knee.patient, cast.administrator
    day = patient.born_on
    with as_application(), scope.within([cast.unit.pk]):
        erased = erase(Request(patient, cast.unit, by, day, "asked by letter", everything=everything))
        with connection.cursor() as cursor:
            cursor.execute("SELECT current_user")
            assert cursor.fetchone()[0] == "rimward_app"
    assert not Erasure.objects.get(pk=erased.pk).in_hand
    assert not Patient.ever.filter(pk=patient.pk).exists()


def operated_elsewhere(cast: Cast) -> IndexProcedure:
    """A second operation on the same knee, in the other unit."""
    ash = factories.a_surgeon(cast.other_unit, "ash", cast.stranger)
    return factories.an_operation(
        cast.other_unit, ash, cast.knee, operated_on=date(2024, 9, 1), injured_on=None
    )


def test_an_erasure_is_held_to_units_that_do_not_show_to_who_asks(cast: Cast) -> None:
    operated_elsewhere(cast)
    asked = Request(cast.knee.patient, cast.unit, cast.administrator, date(2026, 1, 5), "asked by letter")
    refused = pytest.raises(ValidationError, match="Southmere Hospital also holds entries")
    with as_application(), scope.within([cast.unit.pk]), refused:
        erase(asked)
    assert Patient.ever.filter(pk=cast.knee.patient.pk).exists()


def test_who_looked_tells_of_look_ups_in_the_unit_that_put_an_implant_in(cast: Cast) -> None:
    """They show to that unit alone, but the patient is to be told of them wherever they ask."""
    record(Implant(procedure=operated_elsewhere(cast), device_identifier="09506000134352", lot="A1"))
    record(LotLookUp(user=cast.stranger, lot="A1", reason="a recall there", knees_found=1))
    record(LotLookUp(user=cast.colleague, lot="A1", reason="of none put in here", knees_found=0))
    with as_application(), scope.within([cast.unit.pk]):
        told = [(look.who, look.why) for look in looks_at(cast.knee.patient)]
        assert told == [("stranger", "a recall there")]
        assert scope.now().units == (cast.unit.pk,)


def test_signing_in_asks_for_roles_before_anybody_is_signed_in(cast: Cast) -> None:
    """Else nobody would be asked for a second factor."""
    from registry.access import Action, actions_of

    with as_application():
        person: Any = User.objects.get(pk=cast.surgeon.pk)
        assert Action.SEE_IDENTITY in actions_of(person)
