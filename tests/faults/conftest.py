"""A site on each engine for the faults, and the line that a fault gets in the table."""

import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.faults.between import Between
from tests.faults.cluster import Cluster
from tests.faults.judged import Verdict
from tests.faults.place import Place, place_at
from tests.faults.room import small_disk
from tests.faults.table import PROPERTY

Note = Callable[[str, str, int, Verdict], None]


@pytest.fixture
def short_path() -> Iterator[Path]:
    """A folder for sockets, whose path may not be long."""
    with tempfile.TemporaryDirectory(prefix="rimward-") as name:
        yield Path(name)


@pytest.fixture
def cluster(short_path: Path) -> Iterator[Cluster]:
    (short_path / "server").mkdir()
    # Another user's programs, when root runs the tests, have to get there.
    short_path.chmod(0o755)
    cluster = Cluster(short_path / "server")
    yield cluster
    cluster.stop()


@pytest.fixture
def between(cluster: Cluster, short_path: Path) -> Iterator[Between]:
    (short_path / "between").mkdir()
    between = Between(short_path / "between", cluster.folder)
    yield between
    between.close()


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    with small_disk(tmp_path / "small") as folder:
        yield folder


@pytest.fixture
def on_sqlite(tmp_path: Path) -> Iterator[Place]:
    yield from _running(place_at(f"sqlite:///{tmp_path / 'rimward.sqlite3'}", tmp_path))


@pytest.fixture
def on_small_disk(tmp_path: Path, disk: Path) -> Iterator[Place]:
    yield from _running(place_at(f"sqlite:///{disk / 'rimward.sqlite3'}", tmp_path))


@pytest.fixture
def on_postgresql(tmp_path: Path, cluster: Cluster) -> Iterator[Place]:
    yield from _running(place_at(cluster.database("rimward"), tmp_path))


@pytest.fixture
def behind_a_line(tmp_path: Path, cluster: Cluster, between: Between) -> Iterator[Place]:
    """PostgreSQL, reached by a line that can be cut."""
    cluster.database("rimward")
    yield from _running(place_at(cluster.url("rimward", through=between.folder), tmp_path))


def _running(place: Place) -> Iterator[Place]:
    place.server.start()
    yield place
    place.server.kill()


@pytest.fixture
def note(record_property: Callable[[str, object], None]) -> Note:
    """Keep a line of the table; nothing in it may be lost or wrong."""

    def keep(fault: str, engine: str, rounds: int, verdict: Verdict) -> None:
        row = (fault, engine, rounds, verdict.acknowledged, verdict.found, len(verdict.lost))
        record_property(PROPERTY, row)
        assert verdict.acknowledged > 0
        assert (verdict.lost, verdict.wrong) == ([], [])

    return keep
