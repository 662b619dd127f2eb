"""A release of an invented registry, beside the plain writing of the same rows to CSV with pandas.

Each way runs in a process of its own, so that its peak memory is its own. The registry is made in a database
of its own, which is destroyed afterwards, and so is the package.
"""

from __future__ import annotations

import io
import multiprocessing
import resource
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from time import perf_counter
from typing import TypeVar

import pandas as pd
from django.db import connection, connections
from django.test import override_settings
from django.utils import timezone

from outcomes.bench.estimators import BYTES_OF_MAXRSS
from outcomes.bench.follow_up import own_database
from outcomes.failure import REOPERATION
from outcomes.models import LedgerEntry
from outcomes.naming import name_cohort
from outcomes.release.asked import Asked
from outcomes.release.frozen import TABLES
from outcomes.release.making import make_package
from registry.access import Action, units_for
from registry.demo.cast import Cast
from registry.demo.load import load
from registry.demo.scenario import generate
from registry.demo.truth import Truth
from registry.models import User

SEED = 1
# Repairs a patient of the invented scenario has on average.
REPAIRS_A_PATIENT = 1.24
ATTRIBUTES = ("age", "sex", "side", "cause", "ligament", "bmi", "smoking", "activity", "year")
YEAR_YEARS = 2
COORDINATOR = "coordinator"
MOST_TIMES_PLAIN = 10

Say = Callable[[str], None]
Found = TypeVar("Found")


@dataclass(frozen=True, slots=True)
class Bench:
    """Seconds and peak memory of a whole release, and of writing its rows with pandas and nothing else."""

    repairs: int
    rows_of_all_tables: int
    engine: str
    attributes: int
    k: int
    suppressed: int
    package_bytes: int
    release_seconds: float
    plain_seconds: float
    ratio: float
    release_peak_bytes: int
    plain_peak_bytes: int


@dataclass(frozen=True, slots=True)
class Run:
    """One way in a process of its own: what it found, its seconds, and the peak of its memory."""

    seconds: float
    peak_bytes: int
    found: dict[str, int]


def run(repairs: int, say: Say) -> Bench:
    """Invent a registry, release all of it, and write the released rows plainly."""
    with tempfile.TemporaryDirectory() as folder, own_database():
        with override_settings(RELEASES_DIR=Path(folder)):
            say(f"Inventing {repairs:,} repairs.")
            _invent(repairs)
            say("Releasing them: read, hidden, packed, entered in the ledger.")
            released = _apart(lambda: _release(Path(folder)))
            say("Writing the same rows with pandas alone.")
            plain = _apart(lambda: _plain(Path(folder)))
        return _compared(released, plain)


def _compared(released: Run, plain: Run) -> Bench:
    said = LedgerEntry.objects.get().said
    return Bench(
        repairs=said["rows"]["released"],
        rows_of_all_tables=plain.found["rows"],
        engine=connection.vendor,
        attributes=len(ATTRIBUTES),
        k=said["k"],
        suppressed=said["rows"]["suppressed"],
        package_bytes=released.found["bytes"],
        release_seconds=released.seconds,
        plain_seconds=plain.seconds,
        ratio=released.seconds / plain.seconds,
        release_peak_bytes=released.peak_bytes,
        plain_peak_bytes=plain.peak_bytes,
    )


def _invent(repairs: int) -> None:
    """The demo's scenario, larger; its people may sign in with no password."""
    today = timezone.localdate()
    patients = round(repairs / REPAIRS_A_PATIENT)
    load(generate(patients, SEED, today, Truth.read()), Cast.read(), today, lambda username: username)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
    name_cohort(User.objects.get(username=COORDINATOR), "All", {"which": "all"})


def _release(folder: Path) -> dict[str, int]:
    person = User.objects.get(username=COORDINATOR)
    path, _ = make_package(_asked(person), person)
    return {"bytes": path.stat().st_size}


def _asked(person: User) -> Asked:
    return Asked(
        project="bench",
        purpose="how long a release takes",
        approval="none: invented data",
        recipient="nobody",
        steward="nobody",
        units=tuple(units_for(person, Action.RELEASE).values_list("code", flat=True)),
        cohort_name="All",
        cohort_version=1,
        cohort={"which": "all"},
        definition=REOPERATION.code,
        attributes=ATTRIBUTES,
        year_years=YEAR_YEARS,
    )


def _plain(folder: Path) -> dict[str, int]:
    """Write the tables that were released, read from their Parquet files, and say how many rows that were."""
    (package,) = folder.glob("*.zip")
    rows = 0
    with zipfile.ZipFile(package) as members:
        for table in TABLES:
            frame = pd.read_parquet(io.BytesIO(members.read(f"{table}.parquet")))
            frame.to_csv(folder / f"{table}.csv", index=False)
            rows += len(frame)
    return {"rows": rows}


# --- a process of its own -----------------------------------------------------------------------


def _apart(do: Callable[[], dict[str, int]]) -> Run:
    """Do it in a process split off from this one, which takes no connection along."""
    connections.close_all()
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("fork").Process(target=_told, args=(do, theirs))
    process.start()
    theirs.close()
    try:
        found = ours.recv()
    except EOFError as problem:
        raise RuntimeError("the process that was timed broke off; what it said stands above") from problem
    finally:
        process.join()
    return Run(*found)


def _told(do: Callable[[], dict[str, int]], to: Connection) -> None:
    begun = perf_counter()
    found = do()
    seconds = perf_counter() - begun
    to.send((seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * BYTES_OF_MAXRSS, found))
