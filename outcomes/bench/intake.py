"""A made sheet of past operations rehearsed, beside the bare SQL of it, and beside reading it with pandas.

Bare is what a rehearsal cannot beat: asking what is on record of its people, and writing the rows that it
writes, whose rules the database holds in either way.

Each way runs in a process of its own, so that its peak memory is its own. Each of the two registries is made
in a database of its own, which is destroyed afterwards.
"""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from random import Random
from time import perf_counter
from typing import Any

import pandas as pd
from django.apps import apps
from django.contrib.auth.hashers import make_password
from django.db import connection, transaction
from openpyxl import Workbook

from outcomes.bench import bare
from outcomes.bench.apart import apart
from outcomes.bench.follow_up import own_database
from outcomes.bench.memory import MEBIBYTE, in_mebibytes
from registry import bulk
from registry.intake import files, work
from registry.intake.file.reading import read
from registry.models import Intake, Membership, Surgeon, Unit, User
from registry.recording import record
from registry.telling import silently
from registry.vocabulary import Effusion, LigamentState, Meniscus, Pattern, RadialLocation, Role

SEED = 1
MOST_SECONDS = 30
# One in so many rows tells of follow-up too.
FOLLOWED = 3
SURGEONS = ("oak", "elm", "ash", "yew")
HEADER = (
    *(
        "Hospital number",
        "Sex",
        "Date of birth",
        "Side",
        "Date of operation",
        "Lead surgeon",
        "BMI",
        "ASA class",
    ),
    *("Date of injury", "ACL", "Meniscus", "Tear pattern", "Radial location", "Length (mm)", "Techniques"),
    *("Date of visit", "Effusion", "Flexion (deg)"),
)
FILE = "past operations.xlsx"

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Bench:
    """Seconds and peak memory of reading and rehearsing a file, and of reading it with pandas alone.

    `sql_seconds` are of asking the record and writing `rows_written` rows, and nothing else.
    """

    rows: int
    engine: str
    file_bytes: int
    new_operations: int
    problems: int
    reading_seconds: float
    rehearsal_seconds: float
    rows_written: int
    sql_seconds: float
    ratio: float
    plain_seconds: float
    plain_ratio: float
    rehearsal_peak_bytes: int
    plain_peak_bytes: int


def run(rows: int, say: Say) -> Bench:
    """Make a file, rehearse it in an empty registry, and read it plainly."""
    with tempfile.TemporaryDirectory() as folder:
        say(f"Making a sheet of {rows:,} operations.")
        path = Path(folder) / FILE
        path.write_bytes(made(rows))
        say("Rehearsing it.")
        with own_database():
            ours = apart(lambda: rehearsed(path.read_bytes()))
        say("Asking and writing the same rows bare.")
        with own_database():
            sql = apart(lambda: bare_seconds(path.read_bytes()))
        say("Reading it with pandas alone.")
        plain = apart(lambda: {"rows": len(pd.read_excel(path))})
        return Bench(
            rows=int(plain.found["rows"]),
            engine=connection.vendor,
            file_bytes=path.stat().st_size,
            new_operations=int(ours.found["operations"]),
            problems=int(ours.found["problems"]),
            reading_seconds=ours.found["reading"],
            rehearsal_seconds=ours.found["rehearsing"],
            rows_written=sql.found["rows"],
            sql_seconds=sql.found["seconds"],
            ratio=ours.found["rehearsing"] / sql.found["seconds"],
            plain_seconds=plain.seconds,
            plain_ratio=ours.found["rehearsing"] / plain.seconds,
            rehearsal_peak_bytes=ours.peak_bytes,
            plain_peak_bytes=plain.peak_bytes,
        )


def made(rows: int) -> bytes:
    """A workbook of one sheet: an operation with a tear in each row, a third of them with a visit."""
    book = Workbook(write_only=True)
    sheet = book.create_sheet("Operations")
    sheet.append(HEADER)
    dice = Random(SEED)  # noqa: S311 - invented data
    for number in range(rows):
        sheet.append([*_row(number, dice)])
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def _row(number: int, dice: Random) -> Iterator[Any]:
    operated_on = date(2008, 1, 7) + timedelta(days=dice.randrange(5000))
    yield f"P-{number:06}"
    yield dice.choice(["male", "female"])
    yield date(1960, 1, 1) + timedelta(days=dice.randrange(14000))
    yield dice.choice(["left", "right"])
    yield operated_on
    yield dice.choice(SURGEONS)
    yield round(dice.uniform(18, 38), 1)
    yield dice.choice([1, 2, 3])
    yield operated_on - timedelta(days=dice.randrange(400)) if dice.random() < 0.8 else None
    yield dice.choice([LigamentState.INTACT.label, LigamentState.TREATED_HERE.label, None])
    yield dice.choice(Meniscus.labels)
    yield dice.choice([Pattern.LONGITUDINAL.label, Pattern.RADIAL.label, Pattern.HORIZONTAL.label])
    yield dice.choice([RadialLocation.POSTERIOR.label, RadialLocation.ANTERIOR.label, None])
    yield dice.choice([None, *range(5, 40)])
    yield dice.choice(["All-inside", "Inside-out", "All-inside + inside-out"])
    is_followed = number % FOLLOWED == 0
    yield operated_on + timedelta(days=dice.randrange(80, 400)) if is_followed else None
    yield dice.choice(Effusion.labels) if is_followed else None
    yield dice.randrange(90, 150) if is_followed else None


def rehearsed(content: bytes) -> dict[str, float]:
    begun = perf_counter()
    read(content, FILE)
    reading = perf_counter() - begun
    intake = _begun(content)
    begun = perf_counter()
    report = work.rehearse(intake, silently)
    return {
        "reading": reading,
        "rehearsing": perf_counter() - begun,
        "operations": report.counts["operations"]["new"],
        "problems": len(report.problems),
    }


def bare_seconds(content: bytes) -> dict[str, float]:
    """How long the database alone takes over what a rehearsal asks and writes, and how many rows it writes.

    The rows are those of a taking-in, undone before they are written again; all of it is undone in the end.
    """
    with transaction.atomic():
        intake = _begun(content)
        with bare.kept() as sent:
            work.rehearse(intake, silently)
        with transaction.atomic():
            work.take_in(intake, intake.begun_by, silently)
            rows = _rows_of(intake)
            transaction.set_rollback(True)
        seconds = bare.seconds(bare.reading(sent)) + _written(rows)
        transaction.set_rollback(True)
    return {"seconds": seconds, "rows": sum(len(each) for each in rows.values())}


def _rows_of(intake: Intake) -> dict[bulk.Table, list[bulk.Row]]:
    """The rows that an intake put into an empty record, by table, in the order of their writing."""
    models = {model._meta.db_table: model for model in apps.get_models()}
    written = dict.fromkeys(intake.rows.order_by("pk").values_list("row_table", flat=True))
    return {models[name]: list(models[name]._base_manager.order_by("pk").values()) for name in written}


def _written(rows: Mapping[bulk.Table, Sequence[bulk.Row]]) -> float:
    ready = [bulk.ready(table, each, bulk.takes_copy()) for table, each in rows.items()]
    begun = perf_counter()
    for each in ready:
        bulk.put(each)
    return perf_counter() - begun


def _begun(content: bytes) -> Intake:
    unit = Unit(code="invented", name="Invented unit")
    person = User(username="invented", password=make_password(None))
    surgeons = [Surgeon(code=code, name=f"Dr {code.title()}") for code in SURGEONS]
    record(unit, person, Membership(user=person, unit=unit, role=Role.SURGEON), *surgeons)
    unit.surgeons.set(surgeons)
    return files.begin(unit, person, FILE, content)


def text(found: Bench) -> str:
    """The figures as plain text."""
    took, plain = (in_mebibytes(size) for size in (found.rehearsal_peak_bytes, found.plain_peak_bytes))
    return "\n".join(
        (
            f"{found.rows:,} rows, {found.file_bytes / MEBIBYTE:.1f} MiB ({found.engine}):"
            f" {found.new_operations:,} new operations, {found.problems:,} problems",
            f"rehearsal    {found.rehearsal_seconds:8.1f} s, peak memory {took}"
            f"  (aim: {MOST_SECONDS} s for 10,000 rows)",
            f"of it        {found.reading_seconds:8.1f} s to read the file",
            f"bare SQL     {found.sql_seconds:8.1f} s"
            f"  (what it asks, and {found.rows_written:,} rows written)",
            f"ratio        {found.ratio:8.1f}",
            f"pandas       {found.plain_seconds:8.1f} s, peak memory {plain}  (read_excel of the same file)",
            f"ratio        {found.plain_ratio:8.1f}",
        )
    )
