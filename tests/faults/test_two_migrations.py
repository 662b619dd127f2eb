"""Two `migrate` at once: one does it all, the other does nothing and says so; the database is that of one."""

import fcntl
import os
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest

from registry.site.migrating import LOCK
from tests.faults.server import environment
from tests.registry.apart import PROJECT, database_beside, printed_by
from tests.test_migrations import MAKE_TABLES, on_postgresql, on_sqlite

WORDS = "another migrate is under way on this database"
BEFORE_THE_LAST = ("registry", "0009")
Started = subprocess.Popen[str]


def start(database: str, folder: Path, *form: str) -> Started:
    command = [sys.executable, "manage.py", "migrate", *form]
    return subprocess.Popen(
        command,
        cwd=PROJECT,
        env=environment(database, folder),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def two_at_once(database: str, folder: Path) -> None:
    """Start two together; whoever comes second was refused in words, or found nothing left to do."""
    running = [start(database, folder) for _ in range(2)]
    said = [each.communicate(timeout=600) for each in running]
    codes = sorted(each.returncode for each in running)
    assert codes in ([0, 0], [0, 1]), said
    for each, (out, err) in zip(running, said, strict=True):
        assert "Traceback" not in err
        assert WORDS in err if each.returncode else "Applying" in out or "No migrations to apply" in out


@pytest.mark.any_engine
def test_while_another_has_a_database_file_nothing_is_touched(tmp_path: Path) -> None:
    folder = os.open(tmp_path, os.O_RDONLY)
    fcntl.flock(folder, fcntl.LOCK_EX)
    path = tmp_path / "rimward.sqlite3"
    refused = start(f"sqlite:///{path}", tmp_path)
    _, err = refused.communicate(timeout=120)
    os.close(folder)
    assert refused.returncode == 1
    assert WORDS in err
    assert "Traceback" not in err
    assert path.stat().st_size <= 4096  # a head, no table


@pytest.mark.postgresql
def test_while_another_has_the_server_nothing_is_touched(tmp_path: Path, postgresql_url: str) -> None:
    database = database_beside(postgresql_url, "migrated_by_another")
    with psycopg.connect(database, autocommit=True) as other:
        other.execute("SELECT pg_advisory_lock(%s)", [LOCK])
        refused = start(database, tmp_path)
        _, err = refused.communicate(timeout=120)
        tables = other.execute("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'").fetchone()
    assert refused.returncode == 1
    assert WORDS in err
    assert "Traceback" not in err
    assert tables == (0,)


@pytest.mark.slow
@pytest.mark.any_engine
@pytest.mark.parametrize("before", [(), BEFORE_THE_LAST], ids=["from empty", "from the last state but one"])
def test_two_at_once_on_sqlite(tmp_path: Path, before: tuple[str, ...]) -> None:
    path, made = tmp_path / "rimward.sqlite3", tmp_path / "made.sqlite3"
    if before:
        start(f"sqlite:///{path}", tmp_path, *before).communicate(timeout=600)
    two_at_once(f"sqlite:///{path}", tmp_path)
    printed_by(MAKE_TABLES, f"sqlite:///{made}", tmp_path)
    assert on_sqlite(path) == on_sqlite(made)


@pytest.mark.slow
@pytest.mark.postgresql
@pytest.mark.parametrize("before", [(), BEFORE_THE_LAST], ids=["from empty", "from the last state but one"])
def test_two_at_once_on_postgresql(tmp_path: Path, postgresql_url: str, before: tuple[str, ...]) -> None:
    name = f"two_migrate_{len(before)}"
    database, made = (database_beside(postgresql_url, each) for each in (name, f"{name}_made"))
    if before:
        start(database, tmp_path, *before).communicate(timeout=600)
    two_at_once(database, tmp_path)
    printed_by(MAKE_TABLES, made, tmp_path)
    assert on_postgresql(database) == on_postgresql(made)
