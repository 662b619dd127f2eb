"""The faults of a running site, each under twenty writers; what a writer was told decides."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

import httpx
import psycopg

from tests.faults.between import AFTER, BEFORE, Between
from tests.faults.cluster import Cluster
from tests.faults.place import Place
from tests.faults.room import fill, make_room
from tests.faults.writers import Write, Writers

SEED = 1
# Between these many acknowledged writes after the start, by chance, a fault falls.
SOONEST, LATEST = 2, 30
# So many writes have to be refused before the cause is taken away, and so many to succeed afterwards.
REFUSED, GONE_ON = 3, 5
SECONDS = 120


def killed(place: Place, rounds: int) -> Writers:
    """SIGKILL to all of the server's processes, which is then started again."""
    dice, writers = Random(SEED), place.writers()  # noqa: S311 - chance, not a secret
    for _ in range(rounds):
        with writers.at_work():
            writers.wait_for(dice.randint(SOONEST, LATEST))
            place.server.kill()
        assert refusals(writers.unanswered) == []
        place.server.start()
        repeated(writers)
    return writers


def stopped(place: Place, cluster: Cluster, rounds: int) -> Writers:
    """PostgreSQL stopped without a word to anybody, and started again; nobody touches the site."""
    dice, writers = Random(SEED), place.writers()  # noqa: S311 - chance, not a secret
    for _ in range(rounds):
        with writers.at_work(), same_server(place):
            writers.wait_for(dice.randint(SOONEST, LATEST))
            before = len(refusals(writers.unanswered))
            cluster.stop_at_once()
            wait_until(lambda before=before: len(refusals(writers.unanswered)) >= before + REFUSED)
            wait_until(lambda: ready(place) == 503)
            cluster.start()
            writers.wait_for(GONE_ON)
        assert_in_words(writers.unanswered)
        repeated(writers)
    return writers


def cut(place: Place, between: Between, rounds: int) -> Writers:
    """The line to PostgreSQL cut around a COMMIT, in turn before the server had it and after it was done."""
    writers = place.writers()
    with writers.at_work(), same_server(place):
        for number in range(rounds):
            between.cuts.append(AFTER if number % 2 else BEFORE)
            wait_until(lambda: not between.cuts)
        writers.wait_for(GONE_ON)
    assert_in_words(writers.unanswered)
    repeated(writers)
    return writers


def terminated(place: Place, rounds: int) -> Writers:
    """Transactions broken off by PostgreSQL itself, as an administrator or a fail-over does."""
    writers = place.writers()
    with writers.at_work(), same_server(place), psycopg.connect(place.database, autocommit=True) as admin:
        for _ in range(rounds):
            wait_until(lambda: _terminate(admin) > 0)
            writers.wait_for(1)
        writers.wait_for(GONE_ON)
    assert_in_words(writers.unanswered)
    repeated(writers)
    return writers


def _terminate(admin: psycopg.Connection) -> int:
    ended = admin.execute(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
        "WHERE datname = current_database() AND pid <> pg_backend_pid() AND backend_xid IS NOT NULL"
    )
    return len(ended.fetchall())


def filled(place: Place, disk: Path, rounds: int) -> Writers:
    """No room left where the database lies, then room again."""
    writers = place.writers()
    for _ in range(rounds):
        with writers.at_work(), same_server(place):
            writers.wait_for(SOONEST)
            before = len(refusals(writers.unanswered))
            fill(disk)
            wait_until(lambda before=before: len(refusals(writers.unanswered)) >= before + REFUSED)
            while_full = place.verdict(writers)
            assert (while_full.lost, while_full.wrong) == ([], [])
            make_room(disk)
            writers.wait_for(GONE_ON)
        assert_in_words(writers.unanswered)
        repeated(writers)
    return writers


# --- what has to hold around each ------------------------------------------------------------------


def repeated(writers: Writers) -> None:
    """Sent again under their keys, all that were not acknowledged are."""
    again = writers.repeat_unanswered()
    assert [write.answer for write in again if not write.is_acknowledged] == []


def refusals(writes: list[Write]) -> list[str]:
    """What writers were told that had an answer, but no success; of what was sent twice, the last."""
    return [write.answer for write in writes if write.answer[:1].isdigit()]


def assert_in_words(writes: list[Write]) -> None:
    """A person or program is told that it failed, in words, and nothing of the inside."""
    for answer in refusals(writes):
        status, _, words = answer.partition(" ")
        assert status == "503", answer
        assert any(said in words for said in ("Out of service", "Busy", "Unavailable")), answer
        assert "Traceback" not in words, answer


@contextmanager
def same_server(place: Place) -> Iterator[None]:
    """The site goes on by itself: nobody starts it again."""
    yield
    assert place.server.is_running()


def ready(place: Place) -> int:
    """The status by which the site says whether it can serve."""
    return httpx.get(f"{place.server.address}/ready/", timeout=30).status_code


def wait_until(is_so: Callable[[], bool]) -> None:
    until, never = time.monotonic() + SECONDS, threading.Event()
    while not is_so():
        assert time.monotonic() < until, "waited in vain"
        never.wait(0.005)
