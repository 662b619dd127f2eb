"""The Due page of an invented registry: what it costs beside the bare SQL that it asks.

The registry is made in a database of its own, which is destroyed afterwards.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from random import Random
from time import perf_counter

from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from outcomes.bench import bare
from registry.models import (
    IndexProcedure,
    Knee,
    Membership,
    Patient,
    PatientReport,
    Repair,
    ScoreResponse,
    Surgeon,
    Tear,
    Unit,
    User,
    Visit,
)
from registry.reviews import actionable
from registry.rules.schedule import DEFAULT_PLAN
from registry.vocabulary import Role

SEED = 1
UNITS, SURGEONS_A_UNIT = 8, 4
YEARS = 10
# Of the reviews whose window has begun, how many are answered; of the patients, how many died since.
ANSWERED, DIED = 0.85, 0.02
AT_ONCE = 10_000
TIMES = 3
MOST_QUERIES = 9
CLINICIAN = "invented-clinician"

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Bench:
    """The page's queries and seconds beside the seconds of its SQL alone, each the best of a few tries."""

    patients: int
    engine: str
    waiting: int
    queries: int
    page_seconds: float
    sql_seconds: float
    ratio: float


def run(patients: int, say: Say) -> Bench:
    """Invent a registry in a database of its own, open its Due page, and ask the same SQL bare."""
    with own_database():
        say(f"Inventing {patients:,} patients.")
        invent(patients)
        say("Opening Due, and asking its SQL alone.")
        return measure()


@contextmanager
def own_database() -> Iterator[None]:
    """A database of the engine of the settings, empty but for its tables, that is gone afterwards."""
    kept = connection.settings_dict["NAME"]
    with tempfile.TemporaryDirectory() as folder:
        name = f"rimward_bench_{os.getpid()}"
        on_file = connection.vendor == "sqlite"
        connection.settings_dict["TEST"]["NAME"] = str(Path(folder) / name) if on_file else name
        # As the models say: one migration after the other takes twenty times as long.
        connection.settings_dict["TEST"]["MIGRATE"] = False
        connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
        try:
            yield
        finally:
            connection.creation.destroy_test_db(kept, verbosity=0)


# --- the invented registry --------------------------------------------------------------------


def invent(patients: int, today: date | None = None) -> None:
    """Put so many patients on record, each with one repaired knee of the last years and some answers."""
    today, dice = today or timezone.localdate(), Random(SEED)  # noqa: S311 - invented data
    surgeons = _people()
    for first in range(0, patients, AT_ONCE):
        _some_patients(min(AT_ONCE, patients - first), surgeons, dice, today)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


def _people() -> list[tuple[Unit, Surgeon]]:
    units = Unit.objects.bulk_create(
        Unit(code=f"invented-{n}", name=f"Invented unit {n}") for n in range(UNITS)
    )
    pairs = []
    for unit in units:
        led = Surgeon.objects.bulk_create(
            Surgeon(code=f"{unit.code}-{n}", name=f"Invented surgeon {n}") for n in range(SURGEONS_A_UNIT)
        )
        unit.surgeons.add(*led)
        pairs += [(unit, surgeon) for surgeon in led]
    (clinician,) = User.objects.bulk_create([User(username=CLINICIAN)])
    Membership.objects.bulk_create(
        Membership(user=clinician, unit=unit, role=Role.CLINICIAN) for unit in units
    )
    return pairs


def _some_patients(count: int, surgeons: list[tuple[Unit, Surgeon]], dice: Random, today: date) -> None:
    places = [dice.choice(surgeons) for _ in range(count)]
    died = [today if dice.random() < DIED else None for _ in range(count)]
    patients = Patient.objects.bulk_create(
        Patient(unit=unit, sex="female", born_on=date(1990, 7, 1), born_on_is_exact=False, died_on=day)
        for (unit, _), day in zip(places, died, strict=True)
    )
    knees = Knee.objects.bulk_create(Knee(patient=patient, side="left") for patient in patients)
    operations = IndexProcedure.objects.bulk_create(
        IndexProcedure(
            knee=knee,
            unit=unit,
            lead_surgeon=surgeon,
            operated_on=today - timedelta(days=dice.randrange(YEARS * 365)),
            injury_date_precision="unknown",
        )
        for knee, (unit, surgeon) in zip(knees, places, strict=True)
    )
    tears = Tear.objects.bulk_create(
        Tear(procedure=each, meniscus="medial", pattern="longitudinal", treatment="repaired")
        for each in operations
    )
    Repair.objects.bulk_create(Repair(tear=tear, all_inside=True) for tear in tears)
    _answers(operations, dice, today)


def _answers(operations: list[IndexProcedure], dice: Random, today: date) -> None:
    visits, scores, reports = [], [], []
    for operation in operations:
        for review in DEFAULT_PLAN:
            off = dice.randint(-review.window_days, review.window_days)
            day = operation.operated_on + timedelta(days=review.due_day + off)
            if day > today or dice.random() > ANSWERED:
                continue
            told = {"knee_id": operation.knee_id}
            kind = dice.randrange(3)
            if kind == 0:
                visits.append(Visit(**told, seen_on=day, time_point=review.code))
            elif kind == 1:
                scores.append(ScoreResponse(**told, answered_on=day, instrument="koos"))
            else:
                reports.append(PatientReport(**told, answered_on=day, operated_again="no", way="link"))
    Visit.objects.bulk_create(visits)
    ScoreResponse.objects.bulk_create(scores)
    PatientReport.objects.bulk_create(reports)


# --- measuring --------------------------------------------------------------------------------


def measure() -> Bench:
    """Open the page as the invented clinician a few times, each time followed by its bare SQL."""
    client = Client(SERVER_NAME="localhost")
    client.force_login(User.objects.get(username=CLINICIAN))
    # What a connection is asked once, it is not asked of each page.
    _open(client)
    asked = _asked(client)
    page, sql = [], []
    for _ in range(TIMES):
        page.append(_seconds(lambda: _open(client)))
        sql.append(bare.seconds(asked))
    return Bench(
        patients=Patient.objects.count(),
        engine=connection.vendor,
        waiting=actionable(Unit.objects.all()).count(),
        queries=len(asked),
        page_seconds=min(page),
        sql_seconds=min(sql),
        ratio=min(page) / min(sql),
    )


def _asked(client: Client) -> list[bare.Query]:
    """Every query of the page with its parameters."""
    with bare.kept() as asked:
        _open(client)
    return [each.query for each in asked]


def _open(client: Client) -> None:
    response = client.get(reverse("due"), secure=True)
    if response.status_code != 200:
        raise ValueError(f"Due answered with status {response.status_code} instead of 200.")


def _seconds(do: Callable[[], None]) -> float:
    begun = perf_counter()
    do()
    return perf_counter() - begun
