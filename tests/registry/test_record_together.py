"""Many rows at once go through the same gate as one: what one way refuses, the other refuses."""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, models, transaction
from django.forms import model_to_dict
from django.test.utils import CaptureQueriesContext

from registry.models import (
    Complication,
    Contact,
    Correction,
    EndOfFollowUp,
    Identity,
    IndexProcedure,
    Kept,
    Knee,
    Patient,
    Reoperation,
    ReoperationOnTear,
    Repair,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    SuturePass,
    Tear,
    Visit,
)
from registry.recording import (
    Act,
    RowsRefused,
    record,
    record_together,
    reinstate,
    withdraw,
    withdraw_together,
)
from tests import factories
from tests.conftest import Cast
from tests.factories import OPERATED_ON

LATER, EARLIER = OPERATED_ON + timedelta(days=90), OPERATED_ON - timedelta(days=90)
OF_THEIR_OWN = {"id", "uuid", "recorded_at"}
Make = Callable[[Cast], models.Model]


def an_operation(cast: Cast, **fields: Any) -> IndexProcedure:
    told = {"operated_on": LATER, "injury_date_precision": "unknown", **fields}
    return IndexProcedure(
        **{"knee": cast.knee, "unit": cast.unit, "lead_surgeon": cast.oak, **told},
    )


def a_tear(cast: Cast, **fields: Any) -> Tear:
    told = {"meniscus": "medial", "pattern": "radial", "treatment": "left", **fields}
    return Tear(procedure=cast.repair.tear.procedure, **told)


def gone(row: models.Model) -> models.Model:
    """A row as if somebody deleted it: one that the database does not know."""
    row.pk = 10**9
    return row


# Each breaks one rule: a field's, one over several fields, of another table, of a foreign key, of uniqueness.
BAD: dict[str, Make] = {
    "patient of an unknown sex": lambda cast: Patient(unit=cast.unit, sex="?", born_on=EARLIER),
    "patient without birth": lambda cast: Patient(unit=cast.unit, sex="male"),
    "patient dead before birth": lambda cast: Patient(
        unit=cast.unit, sex="male", born_on=LATER, died_on=EARLIER
    ),
    "patient with an undated permission": lambda cast: Patient(
        unit=cast.unit, sex="male", born_on=EARLIER, research_permission="given"
    ),
    "second left knee": lambda cast: Knee(patient=cast.knee.patient, side="left"),
    "knee of nobody": lambda cast: Knee(patient=gone(Patient(unit=cast.unit)), side="left"),
    "operation without surgeon": lambda cast: an_operation(cast, lead_surgeon=None),
    "operation with a heavy patient": lambda cast: an_operation(cast, bmi=Decimal(99)),
    "operation before birth": lambda cast: an_operation(cast, operated_on=OPERATED_ON.replace(year=1990)),
    "operation in the future": lambda cast: an_operation(cast, operated_on=OPERATED_ON.replace(year=2990)),
    "operation of the same day": lambda cast: an_operation(cast, operated_on=OPERATED_ON),
    "operation before its injury": lambda cast: an_operation(
        cast, injured_on=LATER + timedelta(days=1), injury_date_precision="day"
    ),
    "operation with no date but a precision": lambda cast: an_operation(cast, injury_date_precision="day"),
    "graft without ligament": lambda cast: an_operation(cast, graft="hamstring"),
    "lateral ramp": lambda cast: a_tear(cast, meniscus="lateral", pattern="ramp"),
    "rim width out of its zone": lambda cast: a_tear(cast, rim_zone=1, rim_width_mm=Decimal(4)),
    "tear without pattern": lambda cast: a_tear(cast, pattern=""),
    "return of a tear of the same day": lambda cast: a_tear(cast, revises=cast.repair.tear),
    "second repair of a tear": lambda cast: Repair(tear=cast.repair.tear, all_inside=True),
    "repair without technique": lambda cast: Repair(tear=factories.a_tear(cast.repair.tear.procedure)),
    "repair of a tear left alone": lambda cast: Repair(
        tear=factories.a_tear(cast.repair.tear.procedure, treatment="left"), all_inside=True
    ),
    "too many passes": lambda cast: SuturePass(repair=cast.repair, configuration="vertical", number=99),
    "visit before the operation": lambda cast: Visit(knee=cast.knee, seen_on=EARLIER),
    "visit of a knee never operated on": lambda cast: Visit(knee=factories.a_knee(cast.unit), seen_on=LATER),
    "finding of another knee": lambda cast: SecondLookFinding(
        look=a_look(cast), tear=factories.a_repair(factories.an_operation(cast.unit, cast.oak)).tear
    ),
    "action that is none": lambda cast: ReoperationOnTear(
        reoperation=factories.a_failure(cast.repair, 30), tear=cast.repair.tear, action="?"
    ),
    "same tear twice": lambda cast: ReoperationOnTear(
        reoperation=factories.a_failure(cast.repair, 30), tear=cast.repair.tear
    ),
    "resolved before noticed": lambda cast: Complication(
        knee=cast.knee,
        noticed_on=LATER,
        resolved_on=OPERATED_ON,
        kind="stiffness",
        severity="II",
        found_by="symptoms",
    ),
    "lost without attempts": lambda cast: EndOfFollowUp(
        patient=cast.knee.patient, ended_on=LATER, reason="lost"
    ),
    "end before the operation": lambda cast: EndOfFollowUp(
        patient=cast.knee.patient, ended_on=EARLIER, reason="moved"
    ),
    "unknown form": lambda cast: ScoreResponse(knee=cast.knee, answered_on=LATER, instrument="?"),
    "item out of range": lambda cast: ScoreResponse(
        knee=cast.knee, answered_on=LATER, instrument="lysholm", items={"limp": 99}
    ),
}


def a_look(cast: Cast) -> SecondLook:
    look = SecondLook(knee=cast.knee, looked_on=LATER, reason="staged")
    record(look)
    return look


@pytest.mark.parametrize("name", BAD)
def test_what_one_by_one_is_refused_is_refused_together(cast: Cast, name: str) -> None:
    row = BAD[name](cast)
    with pytest.raises((ValidationError, IntegrityError)) as alone, transaction.atomic():
        record(row)
    again = BAD[name](cast)
    sound = Contact(knee=cast.knee, contacted_on=LATER, source="phone")
    before = type(again)._base_manager.count()
    with pytest.raises((ValidationError, IntegrityError)) as together, transaction.atomic():
        record_together([sound, again])
    assert not Contact.objects.filter(contacted_on=LATER).exists(), "all or nothing"
    assert type(again)._base_manager.count() == before
    if isinstance(together.value, RowsRefused):
        assert together.value.refused[0][0] is again
        assert isinstance(alone.value, ValidationError)
        # One by one the database is asked of uniqueness too.
        assert {*together.value.messages} <= {*alone.value.messages}


def test_the_database_refuses_what_only_it_can_see(cast: Cast) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        record_together([an_operation(cast), an_operation(cast)])
    assert IndexProcedure.objects.filter(operated_on=LATER).count() == 0


def test_every_refused_row_of_a_table_is_told(cast: Cast) -> None:
    visits = [Visit(knee=cast.knee, seen_on=LATER, flexion_deg=degrees) for degrees in (900, 90, 901)]
    with pytest.raises(RowsRefused, match="Flexion 900 is outside") as refused:
        record_together(visits)
    assert [row for row, _ in refused.value.refused] == [visits[0], visits[2]]


def whole_story(cast: Cast, number: str) -> list[Kept]:
    """New rows that refer to each other, none saved yet."""
    patient = Patient(unit=cast.unit, sex="female", born_on=OPERATED_ON.replace(year=1990))
    knee = Knee(patient=patient, side="right")
    procedure = an_operation(cast, knee=knee, bmi="27.5", acl="treated_here", graft="hamstring")
    tear = Tear(procedure=procedure, meniscus="lateral", pattern="root", root_type="2B", treatment="repaired")
    repair = Repair(tear=tear, pull_out=True, tunnels=1)
    look = SecondLook(knee=knee, looked_on=LATER + timedelta(days=300), reason="staged")
    again = Reoperation(knee=knee, operated_on=LATER + timedelta(days=400))
    answered = {"limp": 5, "support": 5, "locking": 15, "instability": 25, "pain": 25, "swelling": 10}
    return [
        patient,
        Identity.sealed(patient, hospital_number=number),
        knee,
        procedure,
        tear,
        repair,
        SuturePass(repair=repair, configuration="vertical", number=3, spacing_mm="2.5"),
        Visit(knee=knee, seen_on=LATER + timedelta(days=90), flexion_deg=120),
        look,
        SecondLookFinding(look=look, tear=tear, healed_thickness_percent=95),
        again,
        ReoperationOnTear(reoperation=again, tear=tear, action="re_repair"),
        ScoreResponse(knee=knee, answered_on=LATER, instrument="lysholm", items=answered),
        EndOfFollowUp(patient=patient, ended_on=LATER + timedelta(days=500), reason="moved"),
    ]


def as_kept(row: Kept) -> dict[str, Any]:
    """What the database holds of a row, without keys and the moment it was entered."""
    columns = [
        each.attname
        for each in row._meta.concrete_fields
        if each.name not in OF_THEIR_OWN and not each.is_relation and not each.name.endswith("_sealed")
    ]
    return type(row).ever.filter(pk=row.pk).values(*columns).get()


def test_what_both_accept_is_equal_row_by_row(cast: Cast) -> None:
    alone, together = whole_story(cast, "A-1"), whole_story(cast, "A-2")
    record(*alone, by=cast.surgeon)
    record_together(together, by=cast.surgeon)
    for one, other in zip(alone, together, strict=True):
        kept = [as_kept(one), as_kept(other)]
        for each in kept:
            each.pop("hospital_number_index", None)
        assert kept[0] == kept[1]
        assert getattr(other, "recorded_by", cast.surgeon) == cast.surgeon
    assert (
        ScoreResponse.objects.get(pk=together[-2].pk).total
        == ScoreResponse.objects.get(pk=alone[-2].pk).total
    )


def test_a_row_on_record_is_not_recorded_again(cast: Cast) -> None:
    with pytest.raises(TypeError, match="is on record"):
        record_together([cast.repair])


def test_many_rows_cost_few_questions(cast: Cast) -> None:
    procedure = factories.an_operation(cast.unit, cast.oak)

    def asked(count: int) -> int:
        tears = [
            Tear(procedure=procedure, meniscus="medial", pattern="radial", treatment="left")
            for _ in range(count)
        ]
        with CaptureQueriesContext(connection) as queries:
            record_together(tears)
        return len(queries)

    assert asked(30) == asked(2)


def test_rows_withdrawn_together_are_noted_as_one_by_one(cast: Cast) -> None:
    alone, *others = (factories.a_contact(cast.repair, days) for days in (10, 20, 30))
    act = Act(cast.surgeon, "typed twice")
    withdraw(alone, act)
    withdraw_together(others, act)
    noted = Correction.objects.order_by("row_id")
    told = [{**model_to_dict(each), "before": each.before} for each in noted]
    for each in told:
        assert each.pop("after").keys() == {"withdrawn_at"}
        assert each.pop("made_at")
        assert each.pop("row_id") == each.pop("entry_id") == each.pop("id") + alone.pk - noted[0].pk
    assert told[0] == told[1] == told[2]
    assert not Contact.objects.exists()
    reinstate(act.key, Act(cast.surgeon, "told twice indeed"))
    assert Contact.objects.count() == 3


def test_a_row_whose_parts_stand_is_not_withdrawn_with_others(cast: Cast) -> None:
    with pytest.raises(IntegrityError, match="still stands"), transaction.atomic():
        withdraw_together([cast.repair.tear], Act(cast.surgeon, "typed twice"))
    cast.repair.refresh_from_db()
    assert Tear.objects.get().version == 1


def test_withdrawing_together_needs_a_reason(cast: Cast) -> None:
    with pytest.raises(ValidationError, match="needs a reason"):
        withdraw_together([factories.a_contact(cast.repair, 10)], Act(cast.surgeon, " "))
