"""An intake is undone as a whole or not at all, and its file may come again."""

from collections.abc import Callable
from datetime import date

import pytest
from django.core.exceptions import PermissionDenied

from registry.intake.files import NotNow
from registry.intake.undoing import BuiltOn, built_on, undo
from registry.models import (
    Contact,
    Correction,
    Identity,
    IndexProcedure,
    Intake,
    IntakeRow,
    Knee,
    Patient,
    Repair,
    SoftAnswer,
    Tear,
    Visit,
)
from registry.models.history_rules import kept_models
from registry.recording import record, sign
from tests import factories
from tests.conftest import Cast
from tests.registry.intake.old_notes import LOOK, REPAIRED, VISIT, counts, rehearsed, taken_in, told

WHOLE = {**REPAIRED, **LOOK, "look1.healed_thickness_percent": "95"}


def standing() -> dict[str, int]:
    return {model.__name__: model.objects.count() for model in kept_models()}


def test_everything_it_brought_is_withdrawn_in_one_act(cast: Cast) -> None:
    before = standing()
    intake, _ = taken_in(cast, WHOLE, VISIT, {**REPAIRED, "patient.hospital_number": "H 101"})
    assert built_on(intake) == []
    undo(intake, cast.surgeon, "the wrong file")
    assert standing() == before
    act = Correction.objects.order_by().values_list("act", "reason", "made_by").distinct()
    assert [each[1:] for each in act] == [("Intake undone: the wrong file", cast.surgeon.pk)]
    assert Correction.objects.count() == IntakeRow.objects.filter(intake=intake).count()
    intake.refresh_from_db()
    assert (intake.state, intake.undone_by, intake.undone_because) == (
        "undone",
        cast.surgeon,
        "the wrong file",
    )
    with pytest.raises(NotNow, match="it is undone"):
        undo(intake, cast.surgeon, "once more")


def test_what_stood_before_stays(cast: Cast) -> None:
    first, _ = taken_in(cast, REPAIRED)
    before = standing()
    again = {**WHOLE, "operation.operated_on": "2019-08-01"}
    second, _ = taken_in(cast, again, VISIT)
    undo(second, cast.surgeon, "not of this unit")
    assert standing() == before
    assert Identity.objects.get().patient.knees.get().procedures.get().operated_on == date(2019, 3, 1)
    assert built_on(first) == []


def test_an_undone_file_comes_again(cast: Cast) -> None:
    intake, first = taken_in(cast, WHOLE, VISIT)
    undo(intake, cast.surgeon, "columns were named wrongly")
    _, again = taken_in(cast, WHOLE, VISIT)
    assert again.counts == first.counts
    assert Identity.objects.count() == 1


def test_an_undone_operation_of_a_patient_who_stays_comes_again(cast: Cast) -> None:
    taken_in(cast, REPAIRED)
    later = {**REPAIRED, "operation.operated_on": "2020-03-01"}
    intake, _ = taken_in(cast, later)
    undo(intake, cast.surgeon, "typed wrongly")
    assert counts(rehearsed(cast, later))["operations"] == {"new": 1}


def test_what_somebody_withdrew_does_not_come_again_silently(cast: Cast) -> None:
    taken_in(cast, REPAIRED)
    factories.withdrawn(IndexProcedure.objects.get(operated_on=date(2019, 3, 1)))
    report = rehearsed(cast, REPAIRED)
    assert counts(report)["operations"] == {"conflicting": 1}
    assert told(report) == [(2, "An operation of that day on this knee was on record and is withdrawn.")]
    factories.withdrawn(Identity.objects.get().patient)
    report = rehearsed(cast, REPAIRED)
    assert counts(report)["patients"] == {"conflicting": 1}
    assert report.new == 0


def correct_a_tear(cast: Cast) -> None:
    factories.corrected(Tear.objects.latest("pk"), length_mm=12)


def sign_the_note(cast: Cast) -> None:
    sign(IndexProcedure.objects.latest("recorded_at"), cast.surgeon)


def add_a_visit(cast: Cast) -> None:
    record(Visit(knee=Knee.objects.latest("pk"), seen_on=date(2019, 12, 1)))


def answer_a_question(cast: Cast) -> None:
    tear = Tear.objects.latest("pk")
    record(SoftAnswer(procedure=tear.procedure, tear=tear, code="zone", answer="seen so"))


def operate_again(cast: Cast) -> None:
    knee = Knee.objects.latest("pk")
    factories.a_repair(factories.an_operation(cast.unit, cast.oak, knee, operated_on=date(2020, 9, 1)))


def look_again(cast: Cast) -> None:
    taken_in(
        cast,
        {**LOOK, "patient.hospital_number": "H 100", "knee.side": "left", "look1.stable_on_probing": "yes"},
    )


BUILT: dict[str, Callable[[Cast], None]] = {
    "1 tear of it was corrected": correct_a_tear,
    "1 index procedure of it was corrected, signed or withdrawn": sign_the_note,
    "1 visit was added to a knee": add_a_visit,
    "1 soft answer was added to a tear": answer_a_question,
    "1 index procedure was added to a knee": operate_again,
    "1 second look finding was added to a tear": look_again,
}


@pytest.mark.parametrize("words", BUILT)
def test_it_stays_once_something_was_built_on_it(cast: Cast, words: str) -> None:
    intake, _ = taken_in(cast, REPAIRED)
    BUILT[words](cast)
    before = standing()
    assert any(each.startswith(words) for each in built_on(intake)), built_on(intake)
    with pytest.raises(BuiltOn, match=words):
        undo(intake, cast.surgeon, "changed my mind")
    assert standing() == before
    assert Intake.objects.get(pk=intake.pk).state == "taken_in"


def test_follow_up_that_would_lie_before_any_operation_holds_it(cast: Cast) -> None:
    """An earlier operation is brought to a knee on record; what was recorded after it rests on it."""
    taken_in(cast, REPAIRED)
    intake, _ = taken_in(cast, {**REPAIRED, "operation.operated_on": "2018-01-05"})
    knee = Knee.objects.latest("pk")
    record(Contact(knee=knee, contacted_on=date(2018, 6, 1), source="phone"))
    assert built_on(intake) == ["Without it 1 contact would lie before any operation on the knee."]
    with pytest.raises(BuiltOn):
        undo(intake, cast.surgeon, "typed wrongly")
    factories.withdrawn(Contact.objects.get())
    undo(intake, cast.surgeon, "typed wrongly")
    assert Repair.objects.filter(tear__procedure__knee=knee).count() == 1


def test_undoing_asks_for_a_reason_and_the_right_person(cast: Cast) -> None:
    intake, _ = taken_in(cast, REPAIRED)
    with pytest.raises(NotNow, match="Say why"):
        undo(intake, cast.surgeon, " ")
    with pytest.raises(PermissionDenied):
        undo(intake, cast.clinician, "not mine")
    assert Patient.objects.filter(identity__isnull=False).count() == 1
