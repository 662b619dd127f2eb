"""Long work in a process of its own: claimed by one worker, told of as it goes, cancelled, taken up again.

A job is a row of any model with `uuid`, `state`, and how its work stands: `step`, `done`, `total`, `told`,
`worker`, `beat_at` and `cancel_asked`. Each step from one state to another is one UPDATE that finds the row
only as it is expected, so that of two who try, one does it.
"""

import logging
import os
import subprocess
import sys
import threading
from collections.abc import Mapping
from contextvars import copy_context
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from uuid import UUID, uuid4

from django.conf import settings
from django.db import OperationalError, connection, connections
from django.db.models import Model, Q, QuerySet
from django.utils import timezone

from registry.management.example import IN_BACKGROUND
from registry.telling import Tell, WorkStoppedError

logger = logging.getLogger(__name__)

# A worker says so often that it is there; one that has said nothing for so long is gone.
BEAT_SECONDS = 1.0
SILENT_AFTER = timedelta(seconds=60)


def start(command: str, uuid: UUID) -> None:
    """Run `manage.py COMMAND work UUID` in a process of its own, which outlives the request."""
    words = [sys.executable, str(Path(settings.BASE_DIR) / "manage.py"), command, "work", str(uuid)]
    subprocess.Popen(  # noqa: S603 - our own command with our own key
        words,
        env=os.environ | {"RIMWARD_MODE": settings.MODE, IN_BACKGROUND: "yes"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        # Standard error is the log of whoever started it.
        start_new_session=True,
    )


def row(job: Model) -> "QuerySet[Any]":
    """The job alone, as a query to be narrowed and updated at once."""
    return type(job)._default_manager.filter(pk=job.pk)


def heard_of() -> Q:
    """Whose worker said lately that it is there; a time still to come is of a clock that was set back."""
    now = timezone.now()
    return Q(beat_at__gt=now - SILENT_AFTER, beat_at__lt=now + SILENT_AFTER)


def is_silent_since(last: datetime) -> bool:
    """Whether a worker that said something then has to be taken for gone."""
    return abs(timezone.now() - last) > SILENT_AFTER


def claim(job: Model, begins: Mapping[Any, Any]) -> str:
    """Take a job that waits, or one whose worker has been silent for too long; the worker's name.

    `begins` leads each state in which a job waits to the one in which it is at work. The name is empty when
    there is nothing to do, or somebody else does it.
    """
    worker, now = uuid4().hex, timezone.now()
    for before, after in begins.items():
        if row(job).filter(state=before).update(state=after, worker=worker, beat_at=now):
            return worker
    left = row(job).filter(state__in=begins.values()).exclude(heard_of())
    return worker if left.update(worker=worker, beat_at=now) else ""


def end(job: Model, worker: str, state: str, told: str = "") -> bool:
    """Let a worker say how its work ended; False when another has taken it over."""
    ended = row(job).filter(worker=worker).update(state=state, told=told, worker="", step="")
    job.refresh_from_db()
    return bool(ended)


def broke_off(problem: Exception) -> str:
    """What a job tells of an error that nobody foresaw: its kind, since its words might name a patient."""
    logger.error("A job broke off.", exc_info=problem)
    return f"The work broke off ({type(problem).__name__}). Go on with it."


class Beat:
    """Keeps a job's progress and sign of life, from a thread of its own so that a long step stays alive.

    Within somebody else's transaction it writes as it is told: another connection could not see the job.
    """

    def __init__(self, job: Model, worker: str, listen: Tell) -> None:
        self._mine = row(job).filter(worker=worker, cancel_asked=False)
        self._listen = listen
        self._said: tuple[str, int, int] = ("", 0, 0)
        self._is_apart = not connection.in_atomic_block
        self._stopped, self._done = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=copy_context().run, args=(self._keep_beating,), daemon=True)

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
                try:
                    self._beat()
                except OperationalError:
                    # SQLite has one writer, and that may be the work itself; elsewhere the line was cut.
                    connection.close()
        finally:
            connections.close_all()

    def _beat(self) -> None:
        step, done, total = self._said
        if not self._mine.update(step=step[:80], done=done, total=total, beat_at=timezone.now()):
            self._stopped.set()
