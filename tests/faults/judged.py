"""A database after a fault, read with plain SQL: is every acknowledged write there, and whole?"""

import sqlite3
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from typing import Any
from uuid import UUID

import psycopg

from tests.faults.writers import Write

# A whole operation, as its example sends it: one tear, repaired, with one row of passes, and its aftercare.
PARTS = (1, 1, 1, 1)
OPERATIONS = """
    SELECT operation.uuid, patient.uuid,
        (SELECT count(*) FROM registry_tear WHERE procedure_id = operation.id),
        (SELECT count(*) FROM registry_repair JOIN registry_tear AS tear ON tear.id = tear_id
            WHERE procedure_id = operation.id),
        (SELECT count(*) FROM registry_suturepass JOIN registry_repair AS repair ON repair.id = repair_id
            JOIN registry_tear AS tear ON tear.id = repair.tear_id WHERE procedure_id = operation.id),
        (SELECT count(*) FROM registry_rehabilitation WHERE procedure_id = operation.id)
    FROM registry_indexprocedure AS operation
    JOIN registry_knee AS knee ON knee.id = knee_id
    JOIN registry_patient AS patient ON patient.id = patient_id"""
PATIENTS = """
    SELECT uuid, (SELECT count(*) FROM registry_identity WHERE patient_id = patient.id)
    FROM registry_patient AS patient"""
CREATIONS = "SELECT key, location FROM registry_creation"
CORRECTIONS = """
    SELECT reason, operation.uuid FROM registry_correction
    JOIN registry_indexprocedure AS operation ON operation.id = row_id
    WHERE row_table = 'registry_indexprocedure'"""
# Each version after the first has its one correction.
VERSIONS = """
    SELECT uuid, version - 1 - (SELECT count(*) FROM registry_correction
        WHERE row_table = 'registry_indexprocedure' AND row_id = operation.id)
    FROM registry_indexprocedure AS operation"""


@dataclass(frozen=True)
class Verdict:
    """What was found of the acknowledged writes, and what is wrong with anything on record."""

    acknowledged: int
    lost: list[Write]
    wrong: list[str] = field(default_factory=list)

    @property
    def found(self) -> int:
        return self.acknowledged - len(self.lost)


def judged(database: str, writes: Iterable[Write]) -> Verdict:
    """Look every acknowledged write up, and everything on record over."""
    told = [write for write in writes if write.is_acknowledged]
    operations, patients, creations, corrections, versions = asked(
        database, OPERATIONS, PATIENTS, CREATIONS, CORRECTIONS, VERSIONS
    )
    located = {key: location for key, location in creations}
    there = {_uuid(row[0]) for row in operations} | {_uuid(row[0]) for row in patients}
    corrected = {(reason, _uuid(uuid)) for reason, uuid in corrections}
    lost = [
        write
        for write in told
        if (
            (write.key, write.uuid) not in corrected
            if write.kind == "correction"
            else write.uuid not in there or write.uuid not in located.get(write.key, "")
        )
    ]
    wrong = [*_half(operations, patients, located, there), *_twice(operations, corrections)]
    wrong += [f"operation {uuid} has {off} versions too many" for uuid, off in versions if off]
    return Verdict(len(told), lost, wrong)


def _half(operations: Any, patients: Any, located: dict[str, str], there: set[str]) -> Iterator[str]:
    """Operations without a part, patients without a name, keys that stand for nothing and the reverse."""
    yield from (f"operation {row[0]} has parts {row[2:]}" for row in operations if tuple(row[2:]) != PARTS)
    yield from (f"patient {uuid} has {count} identities" for uuid, count in patients if count != 1)
    named = {location.rstrip("/").rpartition("/")[2] for location in located.values()}
    yield from (f"key of {uuid or 'nothing'}, which is not on record" for uuid in named - there)
    yield from (f"{uuid} is on record without its key" for uuid in there - named)


def _twice(operations: Any, corrections: Any) -> Iterator[str]:
    """Every patient was sent one operation, every correction has a reason of its own."""
    of = Counter(row[1] for row in operations)
    reasons = Counter(reason for reason, _ in corrections)
    yield from (f"{key}: {count} times" for key, count in (of | reasons).items() if count > 1)


def asked(database: str, *queries: str) -> list[list[tuple[Any, ...]]]:
    """The rows of each query, all of one moment."""
    if database.startswith("sqlite"):
        with closing(sqlite3.connect(database.removeprefix("sqlite:///"), isolation_level=None)) as file:
            file.execute("BEGIN")
            return [file.execute(query).fetchall() for query in queries]
    with psycopg.connect(database) as server:
        server.isolation_level = psycopg.IsolationLevel.REPEATABLE_READ
        return [server.execute(query).fetchall() for query in queries]


def assert_sound(database: str) -> None:
    """Pages, indexes and references of a database file agree; PostgreSQL holds its constraints itself."""
    if database.startswith("sqlite"):
        integrity, references = asked(database, "PRAGMA integrity_check", "PRAGMA foreign_key_check")
        assert integrity == [("ok",)]
        assert references == []
    else:
        (invalid,) = asked(database, "SELECT conname FROM pg_constraint WHERE NOT convalidated")
        assert invalid == []


def _uuid(value: object) -> str:
    return str(UUID(str(value)))
