"""Every migration applied ends in the very database that the models say, so that tests may take either."""

import os
import re
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import psycopg
import pytest

from tests.registry.apart import PROJECT, database_beside, printed_by

MAKE_TABLES = "import django; django.setup(); from tests.tables import make_tables; make_tables()"
# How made names end: of a column unique from the start, or since a later migration.
MADE_NAME = re.compile(r"(_key|_[0-9a-f]{8}_uniq)\b")
# The key of a table between two others: Django makes it as wide as an integer in a migration only.
OF_POSTGRESQL = {
    "columns": """
        SELECT relname, attname, format_type(atttypid, atttypmod), attnotnull, attidentity
        FROM pg_attribute JOIN pg_class ON pg_class.oid = attrelid
        WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' AND attnum > 0 AND NOT attisdropped
        AND (relname, attname) NOT IN
            (('registry_surgeon_units', 'id'), ('registry_user_groups', 'id'),
             ('registry_user_user_permissions', 'id'))""",
    "constraints": """
        SELECT conrelid::regclass::text, conname, pg_get_constraintdef(oid)
        FROM pg_constraint WHERE connamespace = 'public'::regnamespace""",
    "indexes": "SELECT indexdef FROM pg_indexes WHERE schemaname = 'public'",
    "triggers": "SELECT tgname, pg_get_triggerdef(oid) FROM pg_trigger WHERE NOT tgisinternal",
    "functions": "SELECT proname, prosrc FROM pg_proc WHERE pronamespace = 'public'::regnamespace",
}


def migrate(database: str, folder: Path) -> None:
    """Apply every migration, by the command that an installation uses."""
    done = subprocess.run(
        [sys.executable, "manage.py", "migrate", "--verbosity", "0"],
        cwd=PROJECT,
        env={**os.environ, "RIMWARD_LOCAL_DIR": str(folder), "DATABASE_URL": database},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr[-3000:]


def parts(definition: str) -> list[str]:
    """Columns and constraints of a table, or a trigger or index whole, in no order."""
    head, _, body = definition.partition("(")
    if not head.startswith("CREATE TABLE"):
        return [definition]
    pieces = re.split(r",\s*(?=\"|CONSTRAINT|UNIQUE|CHECK)", body.removesuffix(")"))
    return [head, *sorted(piece.strip() for piece in pieces)]


def on_sqlite(path: Path) -> dict[str, object]:
    """What a database file consists of, by name, how many rows each table has, and what was applied."""
    with closing(sqlite3.connect(path)) as connection:
        named = connection.execute(
            "SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%'"
        ).fetchall()
        found: dict[str, object] = {f"{kind} {name}": parts(sql) for kind, name, sql in named}
        for table in (name for kind, name, _ in named if kind == "table"):
            found[f"rows of {table}"] = connection.execute(f'SELECT count(*) FROM "{table}"').fetchone()  # noqa: S608
        found["applied"] = sorted(connection.execute("SELECT app, name FROM django_migrations"))
    return found


def on_postgresql(database: str) -> dict[str, list[tuple[object, ...]]]:
    """What a database consists of, in tuples by kind."""
    with psycopg.connect(database) as connection:
        found = {what: connection.execute(query).fetchall() for what, query in OF_POSTGRESQL.items()}
    return {what: sorted(tuple(map(_named_alike, each)) for each in rows) for what, rows in found.items()}


def _named_alike(value: object) -> object:
    return MADE_NAME.sub("_unique", value) if isinstance(value, str) else value


@pytest.mark.any_engine
def test_on_sqlite(tmp_path: Path) -> None:
    migrated, made = tmp_path / "migrated.sqlite3", tmp_path / "made.sqlite3"
    migrate(f"sqlite:///{migrated}", tmp_path)
    printed_by(MAKE_TABLES, f"sqlite:///{made}", tmp_path)
    assert on_sqlite(migrated) == on_sqlite(made)


@pytest.mark.postgresql
def test_on_postgresql(tmp_path: Path, postgresql_url: str) -> None:
    migrated, made = (database_beside(postgresql_url, name) for name in ("migrated", "made"))
    migrate(migrated, tmp_path)
    printed_by(MAKE_TABLES, made, tmp_path)
    assert on_postgresql(migrated) == on_postgresql(made)
