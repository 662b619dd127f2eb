"""An invented record with everything in it that an archive has to carry, written to a file and gone since."""

import gzip
import json
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

import pytest
from cryptography.fernet import Fernet
from django.db import transaction

from registry.archive.writing import write
from registry.demo.cast import Cast
from registry.demo.load import load
from registry.demo.scenario import generate
from registry.demo.truth import Truth
from registry.models import (
    Identity,
    IndexProcedure,
    Intake,
    IntakeRow,
    PatientReport,
    Surgeon,
    Unit,
    User,
    Visit,
)
from registry.models.history_rules import BEFORE_SIGNING
from registry.recording import Act, correct, record, reinstate, sign, withdraw
from tests import factories
from tests.registry.archive.told import CLOSED_ON, record_told

KEY_TEXT = Fernet.generate_key()
KEY = Fernet(KEY_TEXT)
PATIENTS = 150
SEED = 7
ODD_WORDS = 'Ärztin "am See"\u2028Zweite Zeile\n\t\\'


@dataclass(frozen=True)
class Written:
    """An archive, and what the record held that it was written from."""

    path: Path
    record: dict[str, list[dict[str, Any]]]

    @cached_property
    def lines(self) -> list[dict[str, Any]]:
        return lines_of(self.path)


@pytest.fixture(scope="session")
def written(
    django_db_setup: None, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory
) -> Written:
    path = tmp_path_factory.mktemp("archive") / "record.jsonl.gz"
    with django_db_blocker.unblock(), transaction.atomic():
        put_on_record()
        write(path, KEY)
        told = record_told()
        transaction.set_rollback(True)
    return Written(path, told)


def lines_of(path: Path) -> list[dict[str, Any]]:
    """Every line of an archive."""
    with gzip.open(path, "rt", encoding="utf-8", newline="\n") as file:
        return [json.loads(line) for line in file]


def put_on_record() -> None:
    """The demo, and beside it what its stories do not tell."""
    load(
        generate(PATIENTS, SEED, CLOSED_ON, Truth.read()),
        Cast.read(),
        CLOSED_ON,
        lambda _: "cobalt-meadow-19",
    )
    person = User.objects.order_by("pk").first()
    assert person
    _correct_an_identity(person)
    _sign_what_was_corrected(person)
    _record_a_return_before_its_tear(Unit.objects.get(code="brackwold"))
    visit, other = Visit.objects.order_by("pk")[:2]
    taken = Act(person, ODD_WORDS)
    withdraw(visit, taken)
    reinstate(taken.key, Act(person, "It was that patient after all"))
    withdraw(other, Act(person, "Another patient's"))
    report = PatientReport.sealed(
        {"where": ODD_WORDS}, knee=visit.knee, answered_on=CLOSED_ON, operated_again="unsure"
    )
    record(report, by=person)
    report.no_reoperation_because = "The patient meant another knee"
    report.where_sealed = PatientReport.sealed({"where": "elsewhere"}).where_sealed
    correct(report, act=Act(person, "Asked again"))
    _take_in(person)
    factories.a_person("recorded-nothing")


def _correct_an_identity(by: User) -> None:
    identity = Identity.objects.order_by("pk").first()
    assert identity
    again = Identity.sealed(identity.patient, hospital_number="NEW-1", family_name="Invented")
    for name in ("hospital_number_index", "hospital_number_sealed", "family_name_sealed"):
        setattr(identity, name, getattr(again, name))
    correct(identity, act=Act(by, "Another number"))


def _sign_what_was_corrected(by: User) -> None:
    """A note corrected without a reason of its own, as is allowed until it is signed."""
    note = IndexProcedure.objects.filter(signed_at=None).order_by("pk").first()
    assert note
    note.asa = 1 if note.asa != 1 else 2
    correct(note, act=Act(by, BEFORE_SIGNING))
    sign(note, by)


def _record_a_return_before_its_tear(unit: Unit) -> None:
    """The later operation was entered first, so the return of a tear has the smaller key."""
    surgeon = Surgeon.objects.filter(units=unit).order_by("pk").first()
    assert surgeon
    later = factories.an_operation(unit, surgeon, operated_on=date(2024, 6, 1))
    returned = factories.a_tear(later)
    earlier = factories.an_operation(unit, surgeon, later.knee, operated_on=date(2023, 6, 1))
    factories.corrected(returned, revises=factories.a_tear(earlier))
    assert returned.revises_id
    assert returned.revises_id > returned.pk


def _take_in(by: User) -> None:
    """A file taken in, which belongs to the record, and one that is only looked at."""
    unit = Unit.objects.get(code="brackwold")
    at = datetime(2025, 6, 1, 12, 30, 15, 123456, tzinfo=UTC)
    old = {"unit": unit, "begun_by": by, "begun_at": at - timedelta(days=1)}
    intake = Intake.objects.create(
        **old, file_name="old.xlsx", file_sha256="0" * 64, state="taken_in", taken_in_by=by, taken_in_at=at,
        mapping={"zz": 1, "b": {"zz": [1], "a": None}}, step="Writing", done=2, total=2,
    )  # fmt: skip
    identity = Identity.objects.order_by("pk").first()
    assert identity
    for table, key in (("patient", identity.patient_id), ("identity", identity.pk)):
        IntakeRow.objects.create(intake=intake, row_table=f"registry_{table}", row_id=key)
    Intake.objects.create(**old, file_name="open.csv", file_sha256="1" * 64, file_sealed=b"sealed")
