"""The work on an intake in the background: rehearsed, confirmed, taken in, cancelled, taken up, forgotten.

open -> waiting -> rehearsing -> rehearsed -> confirmed -> taking in -> taken in
"""

from datetime import timedelta
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db.models import Q, QuerySet
from django.utils import timezone

from registry import background
from registry.intake import files, work
from registry.intake.files import NotNow
from registry.isolation import scope
from registry.models import Intake, User
from registry.telling import Tell, WorkStoppedError, silently
from registry.vocabulary import IntakeState

BEGINS = {IntakeState.WAITING: IntakeState.REHEARSING, IntakeState.CONFIRMED: IntakeState.TAKING_IN}
AT_WORK = (*BEGINS, *BEGINS.values())
# Where each state leads back to when the work in it is cancelled.
BACK = {
    IntakeState.WAITING: IntakeState.OPEN,
    IntakeState.REHEARSING: IntakeState.OPEN,
    IntakeState.CONFIRMED: IntakeState.REHEARSED,
    IntakeState.TAKING_IN: IntakeState.REHEARSED,
}
# A file names patients: one that nobody goes on with is not kept.
FORGOTTEN_AFTER = timedelta(days=30)

NOT_OPEN = "It cannot be rehearsed now: it is {state}."
NOT_REHEARSED = "It is not ready to be taken in: it is {state}. Rehearse it first."
NOTHING_NEW = "Nothing in it is new: all that can be taken in is on record already."
REFUSED_LEFT = "Some of it is refused. Mend the file and begin anew, or say that it goes on without that."
BEING_TAKEN_IN = "It is being taken in, whole or not at all. It can be undone afterwards."
AT_WORK_NOW = "Somebody works on it. Wait, or cancel it first."
NO_WORK = "No work on it broke off: it is {state}."
_FRESH: dict[str, Any] = {
    "step": "",
    "done": 0,
    "total": 0,
    "told": "",
    "worker": "",
    "beat_at": None,
    "cancel_asked": False,
}


# --- what a person does -------------------------------------------------------------------------


def start(intake: Intake) -> None:
    """Begin or take up the work in a process of its own, which outlives the request."""
    background.start("intake", intake.uuid)


def rehearse(intake: Intake, by: User) -> None:
    """Let it be rehearsed; NotNow unless its columns are open or it was rehearsed before."""
    ask_for_rehearsal(intake, by)
    start(intake)


def ask_for_rehearsal(intake: Intake, by: User) -> None:
    """Let it wait for a worker to rehearse it."""
    files.refuse_stranger(intake.unit, by)
    ready = background.row(intake).filter(state__in=(IntakeState.OPEN, IntakeState.REHEARSED))
    waiting = _FRESH | {"state": IntakeState.WAITING, "beat_at": timezone.now()}
    if not ready.update(taken_in_by=None, report_sealed="", **waiting):
        raise NotNow(NOT_OPEN.format(state=_state(intake)))
    intake.refresh_from_db()


def confirm(intake: Intake, by: User, *, leave_refused: bool) -> None:
    """Let what was rehearsed and looked at be taken in; NotNow when it is not ready for that."""
    ask_to_take_in(intake, by, leave_refused=leave_refused)
    start(intake)


def ask_to_take_in(intake: Intake, by: User, *, leave_refused: bool) -> None:
    """Let it wait for a worker to take it in; refused parts are left out only when somebody said so."""
    files.refuse_stranger(intake.unit, by)
    intake.refresh_from_db()
    report = files.report_of(intake)
    if report is None or intake.state != IntakeState.REHEARSED:
        raise NotNow(NOT_REHEARSED.format(state=_state(intake)))
    if not report.new:
        raise NotNow(NOTHING_NEW)
    if report.problems and not leave_refused:
        raise NotNow(REFUSED_LEFT)
    # Only the rehearsal that was looked at: another one has another text.
    ready = background.row(intake).filter(state=IntakeState.REHEARSED, report_sealed=intake.report_sealed)
    confirmed = _FRESH | {"state": IntakeState.CONFIRMED, "beat_at": timezone.now()}
    if not ready.update(taken_in_by=by, **confirmed):
        raise NotNow(NOT_REHEARSED.format(state=_state(intake)))
    intake.refresh_from_db()


def cancel(intake: Intake, by: User) -> None:
    """Back to before the work: at once where nobody is at it, else as soon as who is looks up."""
    files.refuse_stranger(intake.unit, by)
    job = background.row(intake)
    if job.filter(state=IntakeState.TAKING_IN).exists():
        raise NotNow(BEING_TAKEN_IN)
    if job.filter(background.heard_of(), state=IntakeState.REHEARSING).update(cancel_asked=True):
        return
    for state, back in BACK.items():
        if job.filter(state=state).update(state=back, taken_in_by=None, **_FRESH):
            return


def go_on(intake: Intake, by: User) -> None:
    """Take up work that broke off, from where it stood; NotNow while somebody is at it."""
    files.refuse_stranger(intake.unit, by)
    wake(intake)
    if intake.state not in AT_WORK:
        raise NotNow(NO_WORK.format(state=_state(intake)))
    if background.row(intake).filter(background.heard_of(), state__in=BEGINS.values()).exists():
        raise NotNow(AT_WORK_NOW)
    start(intake)


def wake(intake: Intake) -> None:
    """Let an intake that broke off wait for a worker again, for the part that it broke off in."""
    broken = background.row(intake).filter(state=IntakeState.BROKEN)
    if not broken.exclude(taken_in_by=None).update(state=IntakeState.CONFIRMED, **_FRESH):
        broken.update(state=IntakeState.WAITING, **_FRESH)
    intake.refresh_from_db()


def drop_forgotten(intakes: QuerySet[Intake], by: User) -> int:
    """Drop the files that were begun long ago and not worked on since; how many."""
    before = timezone.now() - FORGOTTEN_AFTER
    untouched = Q(beat_at__isnull=True) | Q(beat_at__lt=before)
    old = intakes.filter(untouched, begun_at__lt=before, file_sealed__isnull=False)
    forgotten = list(old.defer("file_sealed", "report_sealed"))
    for intake in forgotten:
        # Whoever was to work on it has been gone for as long.
        background.row(intake).update(state=IntakeState.OPEN, taken_in_by=None, **_FRESH)
        files.drop(intake, by)
    return len(forgotten)


# --- what a worker does -------------------------------------------------------------------------


def run(intake: Intake, listen: Tell = silently) -> None:
    """Do the next part of an intake, if nobody else does; how it ended stands in the intake.

    Raises
    ------
    Exception
        Whatever broke the work, after the intake was marked as broken off.
    """
    worker = background.claim(intake, BEGINS)
    if not worker:
        return
    intake.refresh_from_db()
    before = IntakeState(intake.state)
    try:
        of_job = scope.of_job([intake.unit_id], intake.begun_by_id)
        with of_job, background.Beat(intake, worker, listen) as beat:
            _do(intake, beat.tell)
    except WorkStoppedError:
        _back(intake, worker, BACK[before], "")
    except (NotNow, PermissionDenied) as refusal:
        _back(intake, worker, IntakeState.OPEN, str(refusal) or "You may not take in for this unit any more.")
    except Exception as problem:
        background.end(intake, worker, IntakeState.BROKEN, background.broke_off(problem))
        raise
    else:
        background.row(intake).filter(worker=worker).update(**_FRESH)
    intake.refresh_from_db()


def _do(intake: Intake, tell: Tell) -> None:
    if intake.state == IntakeState.REHEARSING:
        work.rehearse(intake, tell)
        return
    assert intake.taken_in_by  # noqa: S101 - confirmed by somebody
    work.take_in(intake, intake.taken_in_by, tell)


def _back(intake: Intake, worker: str, state: IntakeState, told: str) -> None:
    """Let it rest again, unless another worker has taken it over."""
    mine = background.row(intake).filter(worker=worker)
    mine.update(**_FRESH | {"state": state, "told": told, "taken_in_by": None})


def _state(intake: Intake) -> str:
    intake.refresh_from_db()
    return intake.get_state_display().lower()
