"""A database of an earlier form, to be brought to the form of today by a test."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.core.management import call_command
from django.db import connections
from django.db.migrations.executor import MigrationExecutor

OLD = "old"


@contextmanager
def database_of(form: tuple[str, str], folder: Path, blocker: Any) -> Iterator[Any]:
    """The apps as they were at a migration, with a database file of its own, OLD, migrated so far."""
    connections.databases[OLD] = connections.databases["default"] | {
        "ENGINE": "django.db.backends.sqlite3",
        "NAME": str(folder / "old.sqlite3"),
        "HOST": "",
        "OPTIONS": {},
    }
    with blocker.unblock():
        call_command("migrate", *form, database=OLD, verbosity=0)
        yield MigrationExecutor(connections[OLD]).loader.project_state([form]).apps
        connections[OLD].close()
        del connections[OLD]
    del connections.databases[OLD]
