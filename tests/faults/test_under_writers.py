"""Faults of a running site under twenty writers: nothing acknowledged is lost, nothing is half on record.

Everyday SQLite goes through a full disk and a kill, PostgreSQL through a line cut before and after COMMIT;
asked for the slow tests, each fault has a site of its own and all its rounds.
"""

from pathlib import Path

import pytest

from tests.faults.between import AFTER, BEFORE, Between
from tests.faults.cluster import Cluster
from tests.faults.conftest import Note
from tests.faults.faults import cut, filled, killed, stopped, terminated
from tests.faults.place import Place

KILLED = "server killed (SIGKILL)"
STOPPED = "PostgreSQL stopped at once"
CUT = "line cut around COMMIT"
TERMINATED = "transaction's connection ended by PostgreSQL"
FULL = "disk full"


@pytest.mark.any_engine
def test_everyday_on_sqlite(on_small_disk: Place, disk: Path, note: Note) -> None:
    place = on_small_disk
    writers = filled(place, disk, 1)
    note(FULL, "sqlite", 1, place.verdict(writers))
    writers.writes += killed(place, 1).writes
    note(KILLED, "sqlite", 1, place.verdict(writers))


@pytest.mark.postgresql
def test_everyday_on_postgresql(behind_a_line: Place, cluster: Cluster, between: Between, note: Note) -> None:
    place = behind_a_line
    writers = cut(place, between, 2)
    note(CUT, "postgresql", 2, place.verdict(writers))
    assert set(between.done) == {BEFORE, AFTER}
    cluster.check_indexes("rimward")


@pytest.mark.slow
@pytest.mark.any_engine
def test_killed_twenty_times_on_sqlite(on_sqlite: Place, note: Note) -> None:
    note(KILLED, "sqlite", 20, on_sqlite.verdict(killed(on_sqlite, 20)))


@pytest.mark.slow
@pytest.mark.postgresql
def test_killed_twenty_times_on_postgresql(on_postgresql: Place, note: Note) -> None:
    note(KILLED, "postgresql", 20, on_postgresql.verdict(killed(on_postgresql, 20)))


@pytest.mark.slow
@pytest.mark.postgresql
def test_postgresql_stopped_ten_times(on_postgresql: Place, cluster: Cluster, note: Note) -> None:
    note(STOPPED, "postgresql", 10, on_postgresql.verdict(stopped(on_postgresql, cluster, 10)))
    cluster.check_indexes("rimward")


@pytest.mark.slow
@pytest.mark.postgresql
def test_cut_forty_times(behind_a_line: Place, between: Between, note: Note) -> None:
    note(CUT, "postgresql", 40, behind_a_line.verdict(cut(behind_a_line, between, 40)))
    assert (between.done.count(BEFORE), between.done.count(AFTER)) == (20, 20)


@pytest.mark.slow
@pytest.mark.postgresql
def test_ended_by_postgresql_twenty_times(on_postgresql: Place, note: Note) -> None:
    note(TERMINATED, "postgresql", 20, on_postgresql.verdict(terminated(on_postgresql, 20)))


@pytest.mark.slow
@pytest.mark.any_engine
def test_disk_full_five_times(on_small_disk: Place, disk: Path, note: Note) -> None:
    note(FULL, "sqlite", 5, on_small_disk.verdict(filled(on_small_disk, disk, 5)))
