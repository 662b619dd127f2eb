"""Work on a release in the background: claimed by one worker, told of as it goes, cancelled, resumed."""

from collections.abc import Callable
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError

from outcomes.models.release import JobState, ReleaseJob
from outcomes.release import frozen_file, keys, making, store
from outcomes.release.asked import Asked
from outcomes.release.refusals import ReleaseRefusedError
from registry import background
from registry.isolation import scope
from registry.models import Unit, User
from registry.telling import Tell, WorkStoppedError, silently

BEGINS = {JobState.ASKED: JobState.PREPARING, JobState.CONFIRMED: JobState.PACKING}
AT_WORK = tuple(BEGINS.values())
NOT_PREPARED = "It is not ready to be released: {state}. Look at it again."
AT_WORK_NOW = "Somebody works on it. Wait, or cancel it first."
IS_OVER = "It is over: {state}. Ask for a new release."


# --- what a person does -------------------------------------------------------------------------


def start(job: ReleaseJob) -> None:
    """Begin or take up the work in a process of its own, which outlives the request."""
    background.start("release", job.uuid)


def confirm(job: ReleaseJob, by: User) -> None:
    """Let what was prepared and looked at go out; ValidationError when it is not ready for that."""
    making.gate(Asked.from_json(job.asked), by)
    ready = ReleaseJob.objects.filter(pk=job.pk, state=JobState.PREPARED)
    if not ready.update(state=JobState.CONFIRMED, confirmed_by=by, beat_at=None, worker=""):
        raise ValidationError(NOT_PREPARED.format(state=_state(job)))
    job.refresh_from_db()
    start(job)


def cancel(job: ReleaseJob, by: User) -> None:
    """Drop it, at once where nobody works on it, else as soon as who does looks up."""
    making.gate(Asked.from_json(job.asked), by)
    open_jobs = background.row(job).exclude(state__in=(JobState.RELEASED, JobState.CANCELLED))
    if open_jobs.filter(background.heard_of(), state__in=AT_WORK).update(cancel_asked=True):
        return
    if open_jobs.update(state=JobState.CANCELLED, worker="", preview=None):
        store.drop_work(job.uuid)


def go_on(job: ReleaseJob) -> None:
    """Take up work that broke off, from where it stood; ValidationError while somebody is at it."""
    job.refresh_from_db()
    if job.state in (JobState.RELEASED, JobState.CANCELLED, JobState.REFUSED):
        raise ValidationError(IS_OVER.format(state=_state(job)))
    if background.row(job).filter(background.heard_of(), state__in=AT_WORK).exists():
        raise ValidationError(AT_WORK_NOW)
    wake(job)
    start(job)


def wake(job: ReleaseJob) -> None:
    """Let a job that broke off wait for a worker again, for the part that it broke off in."""
    is_confirmed = job.confirmed_by_id is not None and frozen_file.is_kept(job.uuid)
    state = JobState.CONFIRMED if is_confirmed else JobState.ASKED
    ReleaseJob.objects.filter(pk=job.pk, state=JobState.BROKEN).update(state=state, worker="", told="")
    job.refresh_from_db()


# --- what a worker does -------------------------------------------------------------------------


def run(job: ReleaseJob, listen: Tell = silently) -> None:
    """Do the next part of a job, if nobody else does; how it ended stands in the job.

    Raises
    ------
    Exception
        Whatever broke the work, after the job was marked as broken off.
    """
    store.settle()
    worker = background.claim(job, BEGINS)
    if not worker:
        return
    job.refresh_from_db()
    part: Callable[[ReleaseJob, Tell], object] = (
        making.prepare if job.state == JobState.PREPARING else making.pack
    )
    try:
        with _scope_of(job), background.Beat(job, worker, listen) as beat:
            part(job, beat.tell)
    except WorkStoppedError:
        _stopped(job, worker)
    except (ReleaseRefusedError, ValidationError, PermissionDenied, keys.KeyMissingError) as refusal:
        _end(job, worker, JobState.REFUSED, _in_words(refusal))
    except Exception as problem:
        _end(job, worker, JobState.BROKEN, background.broke_off(problem))
        raise


def _scope_of(job: ReleaseJob) -> Any:
    units = Unit.objects.filter(code__in=job.asked["units"])
    return scope.of_job(units.values_list("pk", flat=True), job.asked_by_id)


def _stopped(job: ReleaseJob, worker: str) -> None:
    """Cancelled, unless another worker has taken it over."""
    if _end(job, worker, JobState.CANCELLED, ""):
        store.drop_work(job.uuid)


def _end(job: ReleaseJob, worker: str, state: JobState, told: str) -> bool:
    ended = background.end(job, worker, state, told)
    if ended and state == JobState.REFUSED:
        store.drop_work(job.uuid)
    return ended


def _state(job: ReleaseJob) -> str:
    job.refresh_from_db()
    return job.get_state_display().lower()


def _in_words(refusal: Exception) -> str:
    if isinstance(refusal, ValidationError):
        return " ".join(refusal.messages)
    return str(refusal) or "You may not release from one of these units any more."
