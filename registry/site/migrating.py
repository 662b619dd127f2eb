"""One migrate at a time on a database: of two at once the second ends before it has touched anything.

Django has no such lock: two that both find a table missing both create it, and one of them breaks off midway.
The lock is held by the connection of PostgreSQL, or by the open folder of a database file, so a migrate that
was killed leaves none behind.
"""

import fcntl
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from django.apps import apps
from django.core.management.base import CommandError
from django.db import connections
from django.db.migrations import Migration
from django.db.migrations.recorder import MigrationRecorder
from django.db.models.signals import post_migrate, pre_migrate

# Chosen once for Rimward; PostgreSQL keeps such locks by number, in each database apart.
LOCK = 7_291_046_105
UNDER_WAY = (
    "migrate: another migrate is under way on this database, or has just ended; this one changed nothing. "
    "Wait for the other, then run it again: it does what is left, if anything is."
)

# Of a database file: the folder that is held, by alias.
_held: dict[str, int] = {}


def connect() -> None:
    """Around everything that other receivers of the same signals do; called once all apps are known."""
    senders = [each for each in apps.get_app_configs() if each.models_module is not None]
    pre_migrate.connect(begin, sender=senders[0])
    post_migrate.connect(end, sender=senders[-1])


def begin(using: str, plan: Any = (), **_: Any) -> None:
    """Take the lock before anything is changed; refused while another has it, or has done the same."""
    if not _take(connections[using], using) or _is_behind(connections[using], plan):
        raise CommandError(UNDER_WAY)


def end(using: str, **_: Any) -> None:
    """Give the lock back once the last rule is in."""
    if connections[using].vendor == "postgresql":
        _asked(connections[using], "SELECT pg_advisory_unlock(%s)")
    elif folder := _held.pop(using, None):
        os.close(folder)


def _take(connection: Any, using: str) -> bool:
    if connection.vendor == "postgresql":
        return _asked(connection, "SELECT pg_try_advisory_lock(%s)")
    if using in _held or connection.is_in_memory_db():
        return True
    folder = os.open(Path(connection.settings_dict["NAME"]).resolve().parent, os.O_RDONLY)
    try:
        fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(folder)
        return False
    _held[using] = folder
    return True


def _asked(connection: Any, query: str) -> bool:
    with connection.cursor() as cursor:
        cursor.execute(query, [LOCK])
        return bool(cursor.fetchone()[0])


def _is_behind(connection: Any, plan: Iterable[tuple[Migration, bool]]) -> bool:
    """Whether something planned was done by another since the plan was made."""
    applied = MigrationRecorder(connection).applied_migrations()
    return any(((each.app_label, each.name) in applied) != is_undone for each, is_undone in plan)
