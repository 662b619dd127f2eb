"""Work on an intake: one worker at a time, cancelled, broken off, taken up, refused in words, forgotten."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied
from django.utils import timezone

from registry import background
from registry.intake import files, jobs
from registry.intake.files import NotNow
from registry.models import Intake, IntakeRow
from registry.vocabulary import IntakeState
from tests import factories
from tests.conftest import Cast
from tests.registry.intake.old_notes import REPAIRED, begun

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

REFUSED_ROW = {**REPAIRED, "patient.hospital_number": "H 200", "operation.operated_on": "2099-01-01"}


@pytest.fixture
def intake(cast: Cast) -> Intake:
    return begun(cast, REPAIRED)


def rehearsed(cast: Cast, intake: Intake) -> Intake:
    jobs.ask_for_rehearsal(intake, cast.surgeon)
    jobs.run(intake)
    assert intake.state == IntakeState.REHEARSED, intake.told
    return intake


def test_from_open_to_taken_in_by_whoever_confirmed(cast: Cast, intake: Intake) -> None:
    rehearsed(cast, intake)
    assert not IntakeRow.objects.exists()
    jobs.ask_to_take_in(intake, cast.colleague, leave_refused=False)
    assert intake.state == IntakeState.CONFIRMED
    jobs.run(intake)
    assert (intake.state, intake.taken_in_by, intake.worker) == (IntakeState.TAKEN_IN, cast.colleague, "")
    assert intake.file_sealed is None
    assert IntakeRow.objects.filter(intake=intake).exists()


def test_it_is_worked_on_by_one(cast: Cast, intake: Intake) -> None:
    jobs.ask_for_rehearsal(intake, cast.surgeon)
    steps = []

    def another_tries(step: str, done: int, total: int) -> None:
        steps.append(step)
        before = Intake.objects.get(pk=intake.pk).worker
        jobs.run(Intake.objects.get(pk=intake.pk))
        assert Intake.objects.get(pk=intake.pk).worker == before

    jobs.run(intake, another_tries)
    assert "Rehearsing" in steps
    assert intake.state == IntakeState.REHEARSED


def test_a_worker_that_was_taken_over_stops(cast: Cast, intake: Intake) -> None:
    jobs.ask_for_rehearsal(intake, cast.surgeon)
    jobs.run(intake, lambda *_: change(intake, worker="another"))
    assert (intake.state, intake.worker) == (IntakeState.REHEARSING, "another")


def test_one_that_was_silent_for_a_minute_is_taken_over(cast: Cast, intake: Intake) -> None:
    before = timezone.now() - background.SILENT_AFTER - timedelta(seconds=1)
    change(intake, state=IntakeState.REHEARSING, worker="gone", beat_at=before)
    jobs.run(intake)
    assert (intake.state, intake.worker) == (IntakeState.REHEARSED, "")


def test_how_far_it_is_stands_in_the_row(cast: Cast, intake: Intake) -> None:
    jobs.ask_for_rehearsal(intake, cast.surgeon)
    told = []

    def look(step: str, done: int, total: int) -> None:
        told.append((step, done, total))
        if len(told) > 1:
            row = Intake.objects.get(pk=intake.pk)
            assert (row.step, row.done, row.total) == told[-2]

    jobs.run(intake, look)
    assert len(told) > 1
    assert (intake.step, intake.total) == ("", 0)


# --- cancelled, refused, broken off ----------------------------------------------------------------


def test_cancelled_while_it_waits_it_is_open_at_once(cast: Cast, intake: Intake) -> None:
    jobs.ask_for_rehearsal(intake, cast.surgeon)
    jobs.cancel(intake, cast.colleague)
    intake.refresh_from_db()
    assert intake.state == IntakeState.OPEN


def test_cancelled_while_it_is_rehearsed_it_stops_at_the_next_step(cast: Cast, intake: Intake) -> None:
    jobs.ask_for_rehearsal(intake, cast.surgeon)
    jobs.run(intake, lambda *_: jobs.cancel(intake, cast.surgeon))
    assert (intake.state, intake.cancel_asked, intake.worker) == (IntakeState.OPEN, False, "")
    assert files.report_of(intake) is None


def test_confirmed_and_cancelled_it_is_rehearsed_still(cast: Cast, intake: Intake) -> None:
    jobs.ask_to_take_in(rehearsed(cast, intake), cast.surgeon, leave_refused=False)
    jobs.cancel(intake, cast.surgeon)
    intake.refresh_from_db()
    assert (intake.state, intake.taken_in_by) == (IntakeState.REHEARSED, None)
    assert files.report_of(intake)


def test_what_is_being_taken_in_is_not_cancelled(cast: Cast, intake: Intake) -> None:
    change(intake, state=IntakeState.TAKING_IN, worker="one", beat_at=timezone.now())
    with pytest.raises(NotNow, match="whole or not at all"):
        jobs.cancel(intake, cast.surgeon)


def test_work_that_breaks_off_tells_its_kind_alone_and_goes_on(
    cast: Cast, intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    jobs.ask_for_rehearsal(intake, cast.surgeon)

    def out_of_space(step: str, done: int, total: int) -> None:
        raise OSError("no space left for Person One")

    with pytest.raises(OSError, match="no space"):
        jobs.run(intake, out_of_space)
    assert intake.state == IntakeState.BROKEN
    assert intake.told == "The work broke off (OSError). Go on with it."
    monkeypatch.setattr(jobs, "start", jobs.run)
    jobs.go_on(intake, cast.surgeon)
    assert intake.state == IntakeState.REHEARSED


def test_what_broke_off_being_taken_in_is_taken_in_once_it_goes_on(
    cast: Cast, intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    jobs.ask_to_take_in(rehearsed(cast, intake), cast.surgeon, leave_refused=False)
    change(intake, state=IntakeState.BROKEN)
    monkeypatch.setattr(jobs, "start", jobs.run)
    jobs.go_on(intake, cast.surgeon)
    assert intake.state == IntakeState.TAKEN_IN


def test_nobody_goes_on_with_what_is_at_work_or_over(cast: Cast, intake: Intake) -> None:
    with pytest.raises(NotNow, match="No work on it broke off"):
        jobs.go_on(intake, cast.surgeon)
    change(intake, state=IntakeState.REHEARSING, worker="one", beat_at=timezone.now())
    with pytest.raises(NotNow, match="Somebody works on it"):
        jobs.go_on(intake, cast.surgeon)


def test_open_questions_are_said_and_it_is_open_again(cast: Cast) -> None:
    intake = begun(cast, {**REPAIRED, "tear1.pattern": "fishmouth"})
    jobs.ask_for_rehearsal(intake, cast.surgeon)
    jobs.run(intake)
    assert intake.state == IntakeState.OPEN
    assert "pattern" in intake.told


def test_a_record_that_changed_since_the_rehearsal_stops_it(cast: Cast, intake: Intake) -> None:
    jobs.ask_to_take_in(rehearsed(cast, intake), cast.surgeon, leave_refused=False)
    other = begun(cast, REPAIRED, name="the same.csv")
    jobs.ask_to_take_in(rehearsed(cast, other), cast.surgeon, leave_refused=False)
    jobs.run(other)
    assert other.state == IntakeState.TAKEN_IN
    jobs.run(intake)
    assert intake.state == IntakeState.OPEN
    assert "changed since the rehearsal" in intake.told
    assert not IntakeRow.objects.filter(intake=intake).exists()


# --- what may be taken in --------------------------------------------------------------------------


def test_refused_parts_are_left_out_only_when_somebody_says_so(cast: Cast) -> None:
    intake = rehearsed(cast, begun(cast, REPAIRED, REFUSED_ROW))
    with pytest.raises(NotNow, match="Some of it is refused"):
        jobs.ask_to_take_in(intake, cast.surgeon, leave_refused=False)
    jobs.ask_to_take_in(intake, cast.surgeon, leave_refused=True)
    jobs.run(intake)
    assert intake.state == IntakeState.TAKEN_IN
    assert IntakeRow.objects.filter(intake=intake, row_table="registry_indexprocedure").count() == 1


def test_the_same_file_again_has_nothing_to_take_in(cast: Cast, intake: Intake) -> None:
    jobs.ask_to_take_in(rehearsed(cast, intake), cast.surgeon, leave_refused=False)
    jobs.run(intake)
    again = rehearsed(cast, begun(cast, REPAIRED))
    with pytest.raises(NotNow, match="Nothing in it is new"):
        jobs.ask_to_take_in(again, cast.surgeon, leave_refused=False)


def test_only_what_was_rehearsed_is_taken_in(cast: Cast, intake: Intake) -> None:
    with pytest.raises(NotNow, match="Rehearse it first"):
        jobs.ask_to_take_in(intake, cast.surgeon, leave_refused=True)
    files.set_mapping(rehearsed(cast, intake), cast.surgeon, files.mapping_of(intake))
    with pytest.raises(NotNow, match="Rehearse it first"):
        jobs.ask_to_take_in(intake, cast.surgeon, leave_refused=True)


@pytest.mark.parametrize("who", ["clinician", "audit_lead", "coordinator", "administrator", "stranger"])
@pytest.mark.parametrize(
    "act",
    [
        jobs.rehearse,
        lambda intake, by: jobs.confirm(intake, by, leave_refused=True),
        jobs.cancel,
        jobs.go_on,
    ],
    ids=["rehearse", "confirm", "cancel", "go on"],
)
def test_nobody_else_does_anything_with_it(
    cast: Cast, intake: Intake, who: str, act: Callable[..., Any]
) -> None:
    with pytest.raises(PermissionDenied):
        act(intake, getattr(cast, who))


# --- forgotten -------------------------------------------------------------------------------------


@pytest.mark.parametrize("state", [IntakeState.OPEN, IntakeState.REHEARSED, IntakeState.TAKING_IN])
def test_a_file_that_nobody_went_on_with_for_a_month_is_dropped(cast: Cast, state: IntakeState) -> None:
    old, recent = begun(cast, REPAIRED), begun(cast, REPAIRED)
    worked_on = begun(cast, REPAIRED)
    month_ago = timezone.now() - timedelta(days=31)
    change(old, state=state, begun_at=month_ago)
    change(worked_on, begun_at=month_ago, beat_at=timezone.now() - timedelta(days=2))
    assert jobs.drop_forgotten(Intake.objects.filter(unit=cast.unit), cast.surgeon) == 1
    for intake, is_kept in ((old, False), (recent, True), (worked_on, True)):
        intake.refresh_from_db()
        assert (intake.file_sealed is not None) is is_kept
    assert old.state == IntakeState.DROPPED


def change(intake: Intake, **fields: Any) -> None:
    Intake.objects.filter(pk=intake.pk).update(**fields)
    intake.refresh_from_db()


def test_work_of_another_unit_stays_where_it_is(cast: Cast) -> None:
    other = factories.a_person("yew", ("surgeon", cast.other_unit))
    intake = begun(cast, REPAIRED)
    change(intake, begun_at=timezone.now() - timedelta(days=31))
    assert jobs.drop_forgotten(Intake.objects.filter(unit=cast.other_unit), other) == 0
