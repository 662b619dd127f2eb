"""A database copied whole and put back, by whichever engine holds it."""

import sqlite3

import psycopg
from django.db import Error

from registry.backup.engines.aliases import Config
from registry.backup.engines.engine import Engine
from registry.backup.engines.postgresql import PostgreSQL
from registry.backup.engines.sqlite import SQLite

__all__ = ["DATABASE_ERRORS", "Engine", "engine_of"]

# What a driver raises, with Django in between and without.
DATABASE_ERRORS = (Error, sqlite3.Error, psycopg.Error)
_ENGINES: dict[str, type[Engine]] = {"sqlite3": SQLite, "postgresql": PostgreSQL}


def engine_of(config: Config) -> Engine:
    """The engine of a database, ready to work on it."""
    return _ENGINES[config["ENGINE"].rsplit(".", 1)[-1]](config)
