"""A transaction that the database broke off is done again, whole, a few times, and never anything else.

SQLSTATE 40001 and 40P01: PostgreSQL's documentation, appendix A. The two real connections that collide are in
colliding.py.
"""

import json
import sqlite3
from collections.abc import Callable
from pathlib import Path

import psycopg
import pytest
from django.db import IntegrityError, OperationalError, connection, transaction

from registry.models import Unit
from registry.recording import record
from registry.retrying import retried, retried_with
from tests.registry.apart import database_beside, printed_by


def broken_off(times: int, cause: Exception) -> tuple[Callable[[], int], list[int]]:
    """Work that is broken off so many times, and the tries it was given."""
    tries: list[int] = []

    def work() -> int:
        tries.append(1)
        if len(tries) <= times:
            raise OperationalError(str(cause)) from cause
        return len(tries)

    return work, tries


@pytest.mark.parametrize("kind", [psycopg.errors.DeadlockDetected, psycopg.errors.SerializationFailure])
def test_what_was_broken_off_is_done_again(transactional_db: None, kind: type[Exception]) -> None:
    work, _ = broken_off(2, kind())
    assert retried(work) == 3


def test_it_is_given_up_after_three_tries(transactional_db: None) -> None:
    work, tries = broken_off(9, psycopg.errors.DeadlockDetected())
    with pytest.raises(OperationalError):
        retried(work)
    assert len(tries) == 3


@pytest.mark.parametrize(
    "cause",
    [
        psycopg.errors.AdminShutdown(),  # nobody knows what became of it
        psycopg.errors.LockNotAvailable(),  # has waited already
        psycopg.OperationalError("the connection is lost"),
    ],
)
def test_nothing_else_is_done_again(transactional_db: None, cause: Exception) -> None:
    work, tries = broken_off(9, cause)
    with pytest.raises(OperationalError):
        retried(work)
    assert len(tries) == 1


def test_a_part_of_somebody_elses_transaction_is_not_done_again(transactional_db: None) -> None:
    work, tries = broken_off(1, psycopg.errors.DeadlockDetected())
    with pytest.raises(OperationalError), transaction.atomic():
        retried(work)
    assert len(tries) == 1


def test_rows_are_as_they_were_given_when_they_are_written_again(transactional_db: None) -> None:
    unit = Unit(code="northmere", name="Northmere Hospital")
    found = []

    def work() -> None:
        found.append((unit.pk, unit._state.adding, unit.name))
        unit.name = unit.name.upper()
        unit.save()
        if len(found) < 3:
            raise OperationalError from psycopg.errors.SerializationFailure()

    retried_with([unit], work)
    assert found == [(None, True, "Northmere Hospital")] * 3
    assert list(Unit.objects.values_list("name", flat=True)) == ["NORTHMERE HOSPITAL"]


def test_a_refusal_is_told_at_once(transactional_db: None) -> None:
    record(Unit(code="northmere", name="Northmere Hospital"))

    def work() -> None:
        Unit.objects.create(code="northmere", name="Another")

    with pytest.raises(IntegrityError):
        retried(work)
    assert not connection.in_atomic_block


def test_sqlite_refusing_an_outdated_reader_at_once_is_tried_again(
    transactional_db: None, tmp_path: Path
) -> None:
    """The error is SQLite's own: a reader whose snapshot is old begins to write."""
    reader, writer = (sqlite3.connect(tmp_path / "a.sqlite3", isolation_level=None) for _ in "ab")
    try:
        for statement in ("PRAGMA journal_mode = WAL", "CREATE TABLE a (b)"):
            writer.execute(statement)
        reader.execute("BEGIN")
        reader.execute("SELECT * FROM a").fetchall()
        writer.execute("INSERT INTO a VALUES (1)")
        with pytest.raises(sqlite3.OperationalError, match="locked") as outdated:
            reader.execute("INSERT INTO a VALUES (2)")
        reader.execute("ROLLBACK")
        writer.execute("BEGIN IMMEDIATE")
        reader.execute("PRAGMA busy_timeout = 0")
        with pytest.raises(sqlite3.OperationalError, match="locked") as waited:
            reader.execute("BEGIN IMMEDIATE")
    finally:
        reader.close()
        writer.close()
    work, _ = broken_off(1, outdated.value)
    assert retried(work) == 2
    work, tries = broken_off(1, waited.value)
    with pytest.raises(OperationalError):
        retried(work)
    assert len(tries) == 1, "it has waited for the whole time-out already"


@pytest.mark.postgresql
@pytest.mark.any_engine
def test_two_real_connections_collide_and_nothing_acknowledged_is_lost(
    postgresql_url: str, tmp_path: Path
) -> None:
    program = "from tests.registry import colliding; colliding.main()"
    told = printed_by(program, database_beside(postgresql_url, "colliding"), tmp_path)
    (withdrawn, visited), crossed, summed, raised = json.loads(told)
    assert withdrawn == {"acknowledged": ["_withdraw"], "visits": 0, "operations": 0}
    assert visited == {"acknowledged": ["_visit"], "visits": 1, "operations": 1}

    assert crossed == {"tries": 3, "bmi": ["22.0", "22.0"], "corrections": 4}

    # In one order or the other: 20 + 20 = 40, then 40 + 20 = 60; without it both would be 40.
    assert summed["tries"] == 3
    assert sorted(summed["bmi"]) == ["40.0", "60.0"]

    assert raised["corrections"] == raised["acknowledged"]
    assert raised["bmi"] == [f"{20 + raised['acknowledged'] / 10:.1f}"]
