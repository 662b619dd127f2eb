"""Work on a release in the background: claimed by one worker, told of as it goes, cancelled, resumed."""

import os
import subprocess
import sys
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Self
from uuid import uuid4

from django.conf import settings
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connection, connections
from django.db.models import Q
from django.utils import timezone

from outcomes.models.release import JobState, ReleaseJob
from outcomes.release import frozen_file, keys, making, store
from outcomes.release.asked import Asked
from outcomes.release.refusals import ReleaseRefusedError, WorkStoppedError
from outcomes.release.telling import Tell, silently
from registry.models import User

# A worker says so often that it is there; one that has said nothing for so long is gone.
BEAT_SECONDS = 1.0
SILENT_AFTER = timedelta(seconds=60)
BEGUN = {JobState.ASKED: JobState.PREPARING, JobState.CONFIRMED: JobState.PACKING}
AT_WORK = (JobState.PREPARING, JobState.PACKING)
NOT_PREPARED = "It is not ready to be released: {state}. Look at it again."
AT_WORK_NOW = "Somebody works on it. Wait, or cancel it first."
IS_OVER = "It is over: {state}. Ask for a new release."


# --- what a person does -------------------------------------------------------------------------


def start(job: ReleaseJob) -> None:
    """Begin or take up the work in a process of its own, which outlives the request."""
    command = [sys.executable, str(Path(settings.BASE_DIR) / "manage.py"), "release", "work", str(job.uuid)]
    subprocess.Popen(  # noqa: S603 - our own command with our own key
        command,
        env=os.environ | {"RIMWARD_MODE": settings.MODE},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


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
    open_jobs = ReleaseJob.objects.filter(pk=job.pk).exclude(
        state__in=(JobState.RELEASED, JobState.CANCELLED)
    )
    if open_jobs.filter(state__in=AT_WORK, beat_at__gt=_silent_since()).update(cancel_asked=True):
        return
    if open_jobs.update(state=JobState.CANCELLED, worker="", preview=None):
        store.drop_work(job.uuid)


def go_on(job: ReleaseJob) -> None:
    """Take up work that broke off, from where it stood; ValidationError while somebody is at it."""
    job.refresh_from_db()
    if job.state in (JobState.RELEASED, JobState.CANCELLED, JobState.REFUSED):
        raise ValidationError(IS_OVER.format(state=_state(job)))
    if job.state in AT_WORK and job.beat_at and job.beat_at > _silent_since():
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
    worker = uuid4().hex
    if not _claim(job, worker):
        return
    job.refresh_from_db()
    part: Callable[[ReleaseJob, Tell], object] = (
        making.prepare if job.state == JobState.PREPARING else making.pack
    )
    try:
        with Beat(job, worker, listen) as beat:
            part(job, beat.tell)
    except WorkStoppedError:
        _stopped(job, worker)
    except (ReleaseRefusedError, ValidationError, PermissionDenied, keys.KeyMissingError) as refusal:
        _end(job, worker, JobState.REFUSED, _in_words(refusal))
    except Exception as problem:
        _end(job, worker, JobState.BROKEN, f"The work broke off ({type(problem).__name__}). Go on with it.")
        raise


def _claim(job: ReleaseJob, worker: str) -> bool:
    """Take a job that waits, or one whose worker has been silent for too long."""
    now = timezone.now()
    waiting = ReleaseJob.objects.filter(pk=job.pk)
    for before, after in BEGUN.items():
        if waiting.filter(state=before).update(state=after, worker=worker, beat_at=now):
            return True
    silent = Q(beat_at__isnull=True) | Q(beat_at__lt=_silent_since())
    return bool(waiting.filter(silent, state__in=AT_WORK).update(worker=worker, beat_at=now))


def _stopped(job: ReleaseJob, worker: str) -> None:
    """Cancelled, unless another worker has taken it over."""
    if _end(job, worker, JobState.CANCELLED, ""):
        store.drop_work(job.uuid)


def _end(job: ReleaseJob, worker: str, state: JobState, told: str) -> bool:
    mine = ReleaseJob.objects.filter(pk=job.pk, worker=worker)
    ended = bool(mine.update(state=state, told=told, worker="", step=""))
    job.refresh_from_db()
    if ended and state == JobState.REFUSED:
        store.drop_work(job.uuid)
    return ended


class Beat:
    """Keeps a job's progress and sign of life, from a thread of its own so that a long step stays alive.

    Within somebody else's transaction it writes as it is told: another connection could not see the job.
    """

    def __init__(self, job: ReleaseJob, worker: str, listen: Tell) -> None:
        self._job, self._worker, self._listen = job.pk, worker, listen
        self._said: tuple[str, int, int] = ("", 0, 0)
        self._is_apart = not connection.in_atomic_block
        self._stopped, self._done = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._keep_beating, daemon=True)

    def __enter__(self) -> Self:
        if self._is_apart:
            self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._done.set()
        if self._is_apart:
            self._thread.join()

    def tell(self, step: str, done: int, total: int) -> None:
        """Say how far the work is; raises WorkStoppedError when it is to stop."""
        self._said = (step, done, total)
        self._listen(step, done, total)
        if not self._is_apart:
            self._beat()
        if self._stopped.is_set():
            raise WorkStoppedError

    def _keep_beating(self) -> None:
        try:
            while not self._done.wait(BEAT_SECONDS):
                self._beat()
        finally:
            connections.close_all()

    def _beat(self) -> None:
        step, done, total = self._said
        mine = ReleaseJob.objects.filter(pk=self._job, worker=self._worker, cancel_asked=False)
        if not mine.update(step=step[:80], done=done, total=total, beat_at=timezone.now()):
            self._stopped.set()


def _silent_since() -> datetime:
    return timezone.now() - SILENT_AFTER


def _state(job: ReleaseJob) -> str:
    job.refresh_from_db()
    return job.get_state_display().lower()


def _in_words(refusal: Exception) -> str:
    if isinstance(refusal, ValidationError):
        return " ".join(refusal.messages)
    return str(refusal) or "You may not release from one of these units any more."
