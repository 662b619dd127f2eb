"""A release beside the bare SQL that it sends, and beside writing its rows to CSV with pandas alone.

Each way runs in a process of its own, so that its peak memory is its own. A registry that is invented lies in
a database of its own, which is destroyed afterwards, and so is the package; of a release of the record as it
is nothing is kept, neither in the ledger.
"""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter
from typing import Any

import pandas as pd
from django.db import connection, transaction
from django.test import override_settings
from django.utils import timezone

from outcomes.bench import bare
from outcomes.bench.apart import Run, apart
from outcomes.bench.follow_up import own_database
from outcomes.bench.memory import in_mebibytes
from outcomes.failure import REOPERATION
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
COHORT = "All (bench)"
MOST_TIMES_PLAIN = 10
# Instead of a number of repairs to invent.
AS_IT_IS, FEWEST = 0, 100

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Bench:
    """Seconds and peak memory of a whole release, of its SQL alone, and of writing its rows with pandas.

    `statements` are the different ones that read rows.
    """

    repairs: int
    rows_of_all_tables: int
    engine: str
    attributes: int
    k: int
    suppressed: int
    package_bytes: int
    statements: int
    release_seconds: float
    sql_seconds: float
    ratio: float
    plain_seconds: float
    plain_ratio: float
    release_peak_bytes: int
    sql_peak_bytes: int
    plain_peak_bytes: int


def run(repairs: int, say: Say) -> Bench:
    """Release all of an invented registry or, for AS_IT_IS, of the record; ask its SQL alone; write its rows.

    Raises
    ------
    ValueError
        Too few repairs to compare.
    """
    if repairs == AS_IT_IS:
        return _measured(say)
    if repairs < FEWEST:
        raise ValueError(f"--released {repairs} is too few to compare: give {FEWEST} or more.")
    with own_database():
        say(f"Inventing {repairs:,} repairs.")
        _invent(repairs)
        return _measured(say)


def _measured(say: Say) -> Bench:
    with tempfile.TemporaryDirectory() as folder, override_settings(RELEASES_DIR=Path(folder)):
        say("Releasing them: read, hidden, packed, entered in the ledger.")
        released = apart(_release)
        queries = bare.reading(released.found["sent"])
        say(f"Sending its {len(queries)} statements bare.")
        sql = apart(lambda: {"seconds": bare.seconds(queries)})
        say("Writing the same rows with pandas alone.")
        plain = apart(lambda: _plain(Path(folder)))
    return _compared(released, sql, plain, len(queries))


def _compared(released: Run, sql: Run, plain: Run, statements: int) -> Bench:
    said, seconds = released.found["said"], released.found["seconds"]
    return Bench(
        repairs=said["rows"]["released"],
        rows_of_all_tables=int(plain.found["rows"]),
        engine=connection.vendor,
        attributes=len(ATTRIBUTES),
        k=said["k"],
        suppressed=said["rows"]["suppressed"],
        package_bytes=said["size"],
        statements=statements,
        release_seconds=seconds,
        sql_seconds=sql.found["seconds"],
        ratio=seconds / sql.found["seconds"],
        plain_seconds=plain.found["seconds"],
        plain_ratio=seconds / plain.found["seconds"],
        release_peak_bytes=released.peak_bytes,
        sql_peak_bytes=sql.peak_bytes,
        plain_peak_bytes=plain.peak_bytes,
    )


def _invent(repairs: int) -> None:
    """The demo's scenario, larger; its people may sign in with no password."""
    today = timezone.localdate()
    patients = round(repairs / REPAIRS_A_PATIENT)
    load(generate(patients, SEED, today, Truth.read()), Cast.read(), today, lambda username: username)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


def _release() -> dict[str, Any]:
    """Release everything; the package stays for the moment, of the database everything is undone."""
    with transaction.atomic():
        person = User.objects.get(username=COORDINATOR)
        name_cohort(person, COHORT, {"which": "all"})
        begun = perf_counter()
        with bare.kept() as sent:
            _, entry = make_package(_asked(person), person)
        seconds = perf_counter() - begun
        transaction.set_rollback(True)
    return {"seconds": seconds, "said": entry.said, "sent": sent}


def _asked(person: User) -> Asked:
    return Asked(
        project="bench",
        purpose="how long a release takes",
        approval="none: invented data",
        recipient="nobody",
        steward="nobody",
        units=tuple(units_for(person, Action.RELEASE).values_list("code", flat=True)),
        cohort_name=COHORT,
        cohort_version=1,
        cohort={"which": "all"},
        definition=REOPERATION.code,
        attributes=ATTRIBUTES,
        year_years=YEAR_YEARS,
    )


def _plain(folder: Path) -> dict[str, float]:
    """Write the tables that were released, read from their Parquet files: rows, and seconds of writing."""
    (package,) = folder.glob("*.zip")
    rows, seconds = 0, 0.0
    with zipfile.ZipFile(package) as members:
        for table in TABLES:
            frame = pd.read_parquet(io.BytesIO(members.read(f"{table}.parquet")))
            begun = perf_counter()
            frame.to_csv(folder / f"{table}.csv", index=False)
            seconds += perf_counter() - begun
            rows += len(frame)
    return {"rows": rows, "seconds": seconds}


def text(found: Bench) -> str:
    """The figures as plain text."""
    peaks = (found.release_peak_bytes, found.sql_peak_bytes, found.plain_peak_bytes)
    packed, took, sql, plain = map(in_mebibytes, (found.package_bytes, *peaks))
    return "\n".join(
        (
            f"{found.repairs:,} repairs released, {found.rows_of_all_tables:,} rows ({found.engine})",
            f"hidden       {found.attributes} attributes, k = {found.k}, {found.suppressed:,} left out",
            f"release      {found.release_seconds:8.1f} s, peak memory {took}, package {packed}",
            f"bare SQL     {found.sql_seconds:8.1f} s, peak memory {sql}  ({found.statements} statements)",
            f"ratio        {found.ratio:8.1f}",
            f"pandas       {found.plain_seconds:8.1f} s, peak memory {plain}  (to_csv of the same rows)",
            f"ratio        {found.plain_ratio:8.1f}  (aim: at most {MOST_TIMES_PLAIN})",
        )
    )
