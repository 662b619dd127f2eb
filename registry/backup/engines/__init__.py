"""A database copied whole and put back, by whichever engine holds it."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

import psycopg
from django.db import Error

from registry.backup.engines.aliases import Config
from registry.backup.engines.engine import Engine
from registry.backup.engines.postgresql import PostgreSQL
from registry.backup.engines.sqlite import SQLite
from registry.backup.refusals import BackupRefused

__all__ = ["Engine", "engine_of", "said_in_words"]

# What a driver raises, with Django in between and without.
DATABASE_ERRORS = (Error, sqlite3.Error, psycopg.Error)
_ENGINES: dict[str, type[Engine]] = {"sqlite3": SQLite, "postgresql": PostgreSQL}


def engine_of(config: Config) -> Engine:
    """The engine of a database, ready to work on it."""
    return _ENGINES[config["ENGINE"].rsplit(".", 1)[-1]](config)


@contextmanager
def said_in_words(ending: str) -> Iterator[None]:
    """What the database refuses, told as BackupRefused without a row of it; `ending` ends it."""
    try:
        yield
    except DATABASE_ERRORS as error:
        words = str(error).strip().splitlines()[0] if str(error) else type(error).__name__
        raise BackupRefused(f"The database refused: {words}. {ending}") from error
