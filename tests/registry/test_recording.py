"""What is on record changes only with a correction, and the corrections tell every version of it."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.utils import timezone
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from outcomes.cohort import Cohort
from outcomes.counts import count_table
from outcomes.failure import DEFINITIONS
from outcomes.standing import standings
from outcomes.timeline import entered_late
from registry.models import (
    Contact,
    Correction,
    IndexProcedure,
    Kept,
    Reoperation,
    ReoperationOnTear,
    Repair,
    SecondLook,
    SecondLookFinding,
    SoftAnswer,
    Surgeon,
    Tear,
    Unit,
    User,
    Visit,
)
from registry.models.history_rules import BEFORE_SIGNING, kept_models
from registry.parts import parts_of
from registry.recording import (
    Act,
    ChangedMeanwhile,
    correct,
    corrections_of,
    latest_correction,
    record,
    reinstate,
    sign,
    withdraw,
)
from tests import factories
from tests.conftest import Cast
from tests.factories import OPERATED_ON

WHY = Act(None, "typed wrongly")
Columns = dict[str, Any]
Rows = dict[tuple[str, int], Columns]


# --- one change --------------------------------------------------------------------------------


def test_a_correction_says_who_when_what_and_why(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    operation.bmi = "27.5"
    correct(operation, act=Act(cast.surgeon, "scales read again"))
    said = Correction.objects.get()
    assert (said.made_by, said.reason, said.kind, said.version) == (
        cast.surgeon,
        "scales read again",
        "corrected",
        2,
    )
    assert (said.before, said.after) == ({"bmi": None}, {"bmi": "27.5"})
    assert said.patient == cast.knee.patient
    assert said.entry_id == operation.pk


def test_what_did_not_change_leaves_no_trace(cast: Cast) -> None:
    correct(cast.repair, cast.repair.tear, cast.repair.tear.procedure, act=WHY)
    assert not Correction.objects.exists()


def test_a_change_without_reason_is_refused(cast: Cast) -> None:
    cast.repair.tear.length_mm = 12
    with pytest.raises(ValidationError, match="needs a reason"):
        correct(cast.repair.tear, act=Act(cast.surgeon, " "))
    assert Tear.objects.get().length_mm is None


def test_a_signed_note_is_corrected_only_with_a_reason_of_its_own(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    operation.bmi = 27
    correct(operation, act=Act(cast.surgeon, BEFORE_SIGNING))
    sign(operation, cast.surgeon)
    cast.repair.tear.refresh_from_db()
    tear = Tear.objects.get()
    tear.length_mm = 12
    with pytest.raises(ValidationError, match="needs a reason"):
        correct(tear, act=Act(cast.surgeon, BEFORE_SIGNING))
    correct(tear, act=Act(cast.surgeon, "measured on the pictures"))
    assert Tear.objects.get().length_mm == 12
    assert IndexProcedure.objects.get().signed_by == cast.surgeon


def test_a_note_is_signed_once_and_as_it_was_seen(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    seen = latest_correction(operation)
    factories.corrected(cast.repair.tear, length_mm=12)
    with pytest.raises(ChangedMeanwhile):
        sign(operation, cast.surgeon, seen)
    assert not operation.is_signed
    sign(operation, cast.surgeon, latest_correction(operation))
    with pytest.raises(ValidationError, match="signed already"):
        sign(operation, cast.colleague)
    assert IndexProcedure.objects.get().signed_by == cast.surgeon


def test_what_is_refused_leaves_the_row_as_it_was_read(cast: Cast) -> None:
    factories.a_contact(cast.repair, 10)
    operation = cast.repair.tear.procedure
    operation.operated_on = OPERATED_ON + timedelta(days=20)
    with pytest.raises(IntegrityError), transaction.atomic():
        correct(operation, act=WHY)
    assert operation.version == 1
    operation.operated_on = OPERATED_ON + timedelta(days=5)
    correct(operation, act=WHY)
    assert IndexProcedure.objects.get().version == 2


def test_an_answer_goes_with_the_tear_it_is_about(cast: Cast) -> None:
    answer = SoftAnswer(
        procedure=cast.repair.tear.procedure, tear=cast.repair.tear, code="zone", answer="seen so"
    )
    record(answer)
    withdraw(cast.repair.tear, WHY)
    assert not SoftAnswer.objects.exists()


def test_each_part_is_told_once(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    answer = SoftAnswer(procedure=operation, tear=cast.repair.tear, code="zone", answer="seen so")
    look = SecondLook(knee=cast.knee, looked_on=OPERATED_ON, reason="symptoms")
    finding = SecondLookFinding(look=look, tear=cast.repair.tear)
    record(answer, look, finding)
    told = list(parts_of(cast.knee))
    assert len(told) == len(set(told)) == 7
    assert told[-1] == cast.knee


def test_a_repair_added_years_later_was_entered_later(cast: Cast) -> None:
    tear = Tear(
        procedure=cast.repair.tear.procedure, meniscus="lateral", pattern="radial", treatment="repaired"
    )
    correct(tear, Repair(tear=tear, inside_out=True), act=WHY)
    late = Repair.objects.filter(entered_late())
    assert [repair.tear.meniscus for repair in late] == ["lateral"]


def test_the_database_too_refuses_a_correction_of_a_signed_note_without_reason(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    sign(operation, cast.surgeon)
    said = Correction.objects.get()
    said.pk, said.version, said.reason = None, 3, BEFORE_SIGNING
    with pytest.raises(IntegrityError, match="corrected with a reason"), transaction.atomic():
        said.save(force_insert=True)


def test_the_second_editor_is_told_what_the_first_did(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    seen = latest_correction(operation)
    theirs, mine = IndexProcedure.objects.get(), Tear.objects.get()
    theirs.bmi = 30
    correct(theirs, act=Act(cast.colleague, "weighed"), seen=seen)
    mine.length_mm = 12
    with pytest.raises(ChangedMeanwhile) as told:
        correct(mine, act=WHY, seen=seen)
    assert [(each.made_by, each.after) for each in told.value.corrections] == [
        (cast.colleague, {"bmi": "30.0"})
    ]
    assert Tear.objects.get().length_mm is None
    correct(mine, act=WHY, seen=latest_correction(operation))
    assert Tear.objects.get().length_mm == 12


def test_a_row_read_before_a_change_does_not_overwrite_it(cast: Cast) -> None:
    first, second = Tear.objects.get(), Tear.objects.get()
    first.length_mm, second.length_mm = 10, 20
    correct(first, act=WHY)
    with pytest.raises(ChangedMeanwhile):
        correct(second, act=WHY)
    assert Tear.objects.get().length_mm == 10


def test_record_is_for_new_rows_only(cast: Cast) -> None:
    with pytest.raises(TypeError, match=r"correct\(\)"):
        record(cast.repair)


def test_who_recorded_it_is_kept(cast: Cast) -> None:
    record(Contact(knee=cast.knee, contacted_on=OPERATED_ON, source="phone"), by=cast.clinician)
    assert Contact.objects.get().recorded_by == cast.clinician


# --- withdrawing -------------------------------------------------------------------------------


def test_an_operation_takes_its_parts_along_and_brings_them_back(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    withdraw(operation, Act(cast.surgeon, "wrong patient"))
    assert not any(model.objects.exists() for model in (IndexProcedure, Tear, Repair))
    assert Repair.ever.count() == 1
    acts = set(Correction.objects.values_list("act", flat=True))
    assert len(acts) == 1
    reinstate(acts.pop(), Act(cast.surgeon, "right after all"))
    assert all(model.objects.count() == 1 for model in (IndexProcedure, Tear, Repair))


def test_a_patient_recorded_by_mistake_goes_with_everything(cast: Cast) -> None:
    later = factories.an_operation(
        cast.unit, cast.oak, cast.knee, operated_on=OPERATED_ON + timedelta(200), injured_on=None
    )
    factories.a_failure(factories.a_repair(later, revises=cast.repair.tear), 30)
    factories.a_contact(cast.repair, 400)
    withdraw(cast.knee.patient, Act(cast.surgeon, "a test patient"))
    kept = {Unit, Surgeon}
    assert [model.__name__ for model in kept_models() if model.objects.exists() and model not in kept] == []
    reinstate(Correction.objects.values_list("act", flat=True)[0], Act(cast.surgeon, "no test"))
    assert Repair.objects.count() == 2
    assert Contact.objects.count() == 1


def test_what_still_rests_on_an_operation_is_named(cast: Cast) -> None:
    factories.a_contact(cast.repair, 100)
    with pytest.raises(ValidationError, match="phone of 9 Jun 2024 would lie before the first operation"):
        withdraw(cast.repair.tear.procedure, WHY)
    assert Repair.objects.count() == 1


def test_a_tear_that_came_back_stays(cast: Cast) -> None:
    later = factories.an_operation(
        cast.unit, cast.oak, cast.knee, operated_on=OPERATED_ON + timedelta(200), injured_on=None
    )
    factories.a_repair(later, revises=cast.repair.tear)
    with pytest.raises(ValidationError, match="is its return"):
        withdraw(cast.repair.tear, WHY)


def test_a_withdrawn_row_frees_its_place(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    withdraw(operation, WHY)
    again = factories.an_operation(cast.unit, cast.oak, cast.knee, operated_on=operation.operated_on)
    assert IndexProcedure.objects.get() == again
    act = Correction.objects.filter(kind="withdrawn").values_list("act", flat=True)[0]
    with pytest.raises(ValidationError, match="An operation of that day"), transaction.atomic():
        reinstate(act, WHY)


# --- the database alone --------------------------------------------------------------------------


@pytest.mark.parametrize("model", kept_models(), ids=lambda model: model.__name__)
def test_every_table_refuses_deletion_and_silent_change(model: type[Kept], cast: Cast) -> None:
    """Not by a sample row but by what the database holds: each table has both triggers, alive."""
    table = model._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT tgname FROM pg_trigger WHERE tgrelid = %s::regclass AND tgenabled = 'O'", [table]
            )
        else:
            cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = %s", [table])
        names = " ".join(name for (name,) in cursor.fetchall())
    assert f"{table}_keeps_history" in names
    assert f"{table}_is_never_deleted" in names


STATEMENTS: dict[str, tuple[str, str]] = {
    "delete": ("DELETE FROM registry_tear", "nothing of the record is deleted"),
    "silent change": ("UPDATE registry_tear SET length_mm = 9", "a change needs its correction"),
    "change with a version but no correction": (
        "UPDATE registry_tear SET length_mm = 9, version = version + 1",
        "a change needs its correction",
    ),
    "history rewritten": ("UPDATE registry_correction SET reason = 'other'", "stays as it was written"),
    "history deleted": ("DELETE FROM registry_correction", "nothing of the record is deleted"),
}


@pytest.mark.parametrize("what", STATEMENTS)
def test_plain_sql_is_refused(what: str, cast: Cast) -> None:
    factories.corrected(cast.repair.tear.procedure, bmi=25)
    statement, message = STATEMENTS[what]
    with pytest.raises(IntegrityError, match=message), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement)


@pytest.mark.parametrize("part", ["tear", "repair"])
def test_no_part_stands_whose_whole_is_withdrawn(part: str, cast: Cast) -> None:
    row = cast.repair.tear if part == "tear" else cast.repair
    withdraw(cast.repair.tear.procedure, WHY)
    with pytest.raises(IntegrityError, match="is withdrawn"), transaction.atomic():
        factories.corrected_in_database(row, withdrawn_at=None)


def test_no_whole_is_withdrawn_while_a_part_stands(cast: Cast) -> None:
    with pytest.raises(IntegrityError, match="still stands"), transaction.atomic():
        factories.corrected_in_database(cast.repair.tear, withdrawn_at=cast.repair.tear.procedure.recorded_at)


# --- any sequence --------------------------------------------------------------------------------


def all_rows() -> Rows:
    """Every row of the record as the database holds it, withdrawn ones too."""
    return {(model._meta.db_table, row["id"]): row for model in kept_models() for row in model.ever.values()}


def as_kept(model: type[Kept], columns: Columns) -> Columns:
    """Columns read from the database in the form in which a correction keeps them."""
    from registry.noting import values

    return values(model(**columns))


class World:
    """A knee on which anything may be done, and the first form of every row ever seen."""

    def __init__(self) -> None:
        self.unit = factories.a_unit("northmere")
        self.surgeon = factories.a_surgeon(self.unit, "oak")
        self.user: User = factories.a_person("oak", ("surgeon", self.unit))
        self.knee = factories.a_knee(self.unit)
        self.first: Rows = {}
        self.look()

    def look(self) -> None:
        for key, columns in all_rows().items():
            self.first.setdefault(key, columns)

    def operate(self, day: int) -> None:
        operated_on = OPERATED_ON + timedelta(days=day)
        operation = factories.an_operation(
            self.unit, self.surgeon, self.knee, operated_on=operated_on, injured_on=None
        )
        factories.a_repair(operation)

    def visit(self, day: int) -> None:
        record(Visit(knee=self.knee, seen_on=OPERATED_ON + timedelta(days=day)), by=self.user)

    def reoperate(self, day: int) -> None:
        again = Reoperation(knee=self.knee, operated_on=OPERATED_ON + timedelta(days=day))
        tear = Tear.objects.order_by("pk").first()
        said = [ReoperationOnTear(reoperation=again, tear=tear, action="partial_removal")] if tear else []
        record(again, *said, by=self.user)

    def correct(self, day: int) -> None:
        tear, operation = Tear.objects.order_by("pk").last(), IndexProcedure.objects.order_by("pk").last()
        if tear and operation:
            tear.length_mm, operation.bmi = 1 + day % 60, 10 + day % 70
            correct(tear, operation, act=Act(self.user, f"measured again ({day})"))

    def move(self, day: int) -> None:
        operation = IndexProcedure.objects.order_by("pk").first()
        if operation:
            operation.operated_on = OPERATED_ON + timedelta(days=day)
            correct(operation, act=Act(self.user, "another day"))

    def add_tear(self, day: int) -> None:
        operation = IndexProcedure.objects.order_by("pk").first()
        if operation:
            tear = Tear(procedure=operation, meniscus="lateral", pattern="radial", treatment="repaired")
            correct(tear, Repair(tear=tear, inside_out=True), act=Act(self.user, f"forgotten ({day})"))

    def sign(self, day: int) -> None:
        operation = IndexProcedure.objects.filter(signed_at=None).order_by("pk").first()
        if operation:
            sign(operation, self.user)

    def withdraw(self, day: int) -> None:
        rows: list[Kept] = [
            *Visit.objects.all(),
            *Reoperation.objects.all(),
            *Tear.objects.all(),
            *IndexProcedure.objects.all(),
            *Repair.objects.all(),
        ]
        if rows:
            withdraw(rows[day % len(rows)], Act(self.user, f"entered twice ({day})"))

    def reinstate(self, day: int) -> None:
        acts = sorted(set(Correction.objects.filter(kind="withdrawn").values_list("act", flat=True)))
        if acts:
            reinstate(acts[day % len(acts)], Act(self.user, "right after all"))


STEPS: tuple[Callable[[World, int], None], ...] = (
    World.operate,
    World.visit,
    World.reoperate,
    World.correct,
    World.move,
    World.add_tear,
    World.sign,
    World.withdraw,
    World.withdraw,
    World.reinstate,
)
REFUSALS = (ValidationError, IntegrityError, ChangedMeanwhile)


class AnySequence(TestCase):
    """One transaction an example, rolled back after it."""

    @settings(
        max_examples=30 if connection.vendor == "sqlite" else 20,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow],
        derandomize=True,
        phases=[Phase.generate],
    )
    @given(st.lists(st.tuples(st.sampled_from(STEPS), st.integers(0, 400)), min_size=3, max_size=14))
    def test_history_is_complete_and_every_repair_stands_somewhere(
        self, steps: list[tuple[Callable[[World, int], None], int]]
    ) -> None:
        world = World()
        world.operate(0)
        for step, day in steps:
            world.look()
            before = all_rows()
            try:
                with transaction.atomic():
                    step(world, day)
            except REFUSALS:
                assert all_rows() == before
        world.look()
        replayed_equals_present(world.first)
        every_repair_stands_somewhere(world.unit)


def replayed_equals_present(first: Rows) -> None:
    """Each row: its first form, with every correction applied in order, is the row as it is now."""
    present = all_rows()
    assert present.keys() == first.keys()
    for model in kept_models():
        table = model._meta.db_table
        for row in model.ever.values():
            said = list(Correction.objects.filter(row_table=table, row_id=row["id"]).order_by("version"))
            told = [each for each in said if each.kind != "added"]
            state = as_kept(model, first[table, row["id"]])
            for correction in told:
                assert {name: state[name] for name in correction.before} == correction.before
                state |= correction.after
            assert state == as_kept(model, row)
            assert [each.version for each in told] == list(range(2, row["version"] + 1))
            assert all(each.reason and each.made_by_id for each in said)


def every_repair_stands_somewhere(unit: Unit) -> None:
    repairs = list(Repair.objects.select_related("tear__procedure"))
    assert all(each.tear.stands and each.tear.procedure.stands for each in repairs)
    for definition in DEFINITIONS.values():
        assert standings(repairs, definition).keys() == {each.pk for each in repairs}
        counted = count_table(
            Cohort(which="all").repairs(Unit.objects.filter(pk=unit.pk)), definition, (), timezone.localdate()
        )
        assert counted["n"].sum() == len(repairs)


def test_corrections_of_an_entry_are_those_of_its_parts_too(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    factories.corrected(cast.repair, stable_at_end=True)
    factories.corrected(operation, bmi=25)
    factories.corrected(cast.knee.patient, sex="male")
    assert corrections_of(operation).count() == 2
