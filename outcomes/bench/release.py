"""A release of an invented registry, beside the plain writing of the same rows to CSV with pandas.

Each way runs in a process of its own, so that its peak memory is its own. The registry is made in a database
of its own, which is destroyed afterwards, and so is the package.
"""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from django.db import connection
from django.test import override_settings
from django.utils import timezone

from outcomes.bench.apart import Run, apart
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


def run(repairs: int, say: Say) -> Bench:
    """Invent a registry, release all of it, and write the released rows plainly."""
    with tempfile.TemporaryDirectory() as folder, own_database():
        with override_settings(RELEASES_DIR=Path(folder)):
            say(f"Inventing {repairs:,} repairs.")
            _invent(repairs)
            say("Releasing them: read, hidden, packed, entered in the ledger.")
            released = apart(lambda: _release(Path(folder)))
            say("Writing the same rows with pandas alone.")
            plain = apart(lambda: _plain(Path(folder)))
        return _compared(released, plain)


def _compared(released: Run, plain: Run) -> Bench:
    said = LedgerEntry.objects.get().said
    return Bench(
        repairs=said["rows"]["released"],
        rows_of_all_tables=int(plain.found["rows"]),
        engine=connection.vendor,
        attributes=len(ATTRIBUTES),
        k=said["k"],
        suppressed=said["rows"]["suppressed"],
        package_bytes=int(released.found["bytes"]),
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
