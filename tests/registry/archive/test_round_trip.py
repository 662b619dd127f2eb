"""The record leaves as an archive and comes back equal: every row of every table, and every figure."""

import gzip
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from cryptography.fernet import Fernet
from django.db import transaction
from django.test import override_settings

from outcomes.failure import DEFINITIONS
from outcomes.strata import MAIN_STRATA
from registry.archive.reading import NEEDS_KEY, CannotRead, read
from registry.archive.sealing import NOT_ITS_KEY, NOT_OURS, WrongKey
from registry.archive.tables import tables
from registry.archive.writing import write
from registry.models import Correction, Identity, IndexProcedure, Intake, Patient, PatientReport, User, Visit
from registry.models.history_rules import BEFORE_SIGNING
from registry.recording import Act, correct, record
from registry.sealing import blind_index
from tests.registry.apart import PROJECT, database_beside
from tests.registry.archive import told
from tests.registry.archive.conftest import CLOSED_ON, KEY, KEY_TEXT, ODD_WORDS, PATIENTS, Written, lines_of

OTHER_KEYS = {
    "IDENTITY_KEYS": [Fernet.generate_key().decode()],
    "IDENTITY_INDEX_KEY": "another key of an invented hospital",
}


@pytest.mark.django_db
def test_the_record_comes_back_equal_value_by_value(written: Written) -> None:
    counts = read(written.path, KEY)
    assert counts["patient"] == PATIENTS + 1
    assert told.record_told() == written.record
    assert all(counts.values()), "a table that had no row to carry"


@pytest.mark.django_db
def test_what_was_read_is_written_to_the_same_lines(written: Written, tmp_path: Path) -> None:
    read(written.path, KEY)
    write(tmp_path / "again", KEY)
    again, lines = lines_of(tmp_path / "again"), written.lines
    assert again[0] | {"written_at": ""} == lines[0] | {"written_at": ""}
    assert [_opened(line) for line in again[1:-1]] == [_opened(line) for line in lines[1:-1]]


@pytest.mark.django_db
def test_without_identities_even_the_bytes_are_the_same(written: Written, tmp_path: Path) -> None:
    bare, again = tmp_path / "bare", tmp_path / "again"
    with transaction.atomic():
        read(written.path, KEY)
        counts = write(bare, None)
        transaction.set_rollback(True)
    assert (counts["identity"], counts["intakerow"]) == (0, 1)
    with override_settings(**OTHER_KEYS):
        assert read(bare, None) == counts
        write(again, None)
    lines, theirs = (gzip.decompress(path.read_bytes()).split(b"\n") for path in (bare, again))
    assert theirs[1:-2] == lines[1:-2]
    text = b"\n".join(lines).decode()
    assert "registry_identity" not in text
    assert not any(f'{end}":"' in text.replace('_sealed":""', "") for end in ("_sealed", "_index"))
    assert any(row["where_sealed"] for row in written.record["PatientReport"]), (
        "words that had to be left out"
    )


@pytest.mark.postgresql
def test_an_empty_postgresql_holds_the_same_record_and_figures(
    written: Written, postgresql_url: str, tmp_path: Path, db: None
) -> None:
    key_file, into = tmp_path / "key", tmp_path / "told.json"
    key_file.write_bytes(KEY_TEXT)
    done = subprocess.run(
        [sys.executable, "-m", told.__name__, written.path, key_file, into],
        cwd=PROJECT,
        env=os.environ
        | {
            "DATABASE_URL": database_beside(postgresql_url, "archive_read"),
            "RIMWARD_LOCAL_DIR": str(tmp_path),
        },
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    there = json.loads(into.read_text())
    for model, rows in written.record.items():
        assert there["record"][model] == rows, model
    assert set(there["record"]) == set(written.record)
    read(written.path, KEY)
    assert there["figures"] == told.figures_told()
    assert len(there["figures"]) == len(DEFINITIONS) * len(written.record["Unit"]) * (1 + len(MAIN_STRATA))


@pytest.mark.django_db
def test_what_is_read_can_be_worked_on(written: Written) -> None:
    with override_settings(**OTHER_KEYS):
        read(written.path, KEY)
        identity = Identity.objects.get(version=2)
        assert identity.opened()["hospital_number"] == "NEW-1"
        assert identity.hospital_number_index == blind_index(identity.unit_id, "NEW-1")
    knee = identity.patient.knees.first()
    visit = Visit(knee=knee, seen_on=CLOSED_ON)
    record(visit)
    visit.effusion = "none"
    correct(visit, act=Act(None, "Looked again"))
    assert visit.pk > max(row["id"] for row in written.record["Visit"])
    assert Correction.objects.get(row_table="registry_visit", row_id=visit.pk).pk > len(
        written.record["Correction"]
    )


@pytest.mark.django_db
def test_history_is_carried_whole(written: Written) -> None:
    read(written.path, KEY)
    assert {each.kind for each in Correction.objects.all()} == {
        "corrected", "signed", "withdrawn", "reinstated"
    }  # fmt: skip
    unsigned = Correction.objects.get(reason=BEFORE_SIGNING)
    assert IndexProcedure.objects.get(pk=unsigned.row_id).is_signed
    assert Visit.ever.filter(withdrawn_at__isnull=False).exists()
    report = PatientReport.objects.get(version=2)
    assert (
        Correction.objects.get(row_id=report.pk, row_table="registry_patientreport")
        .before["where_sealed"]
        .startswith("gAAAA")
    )
    assert any(row["before"].get("where_sealed") == ODD_WORDS for row in written.record["Correction"])


@pytest.mark.django_db
def test_accounts_are_those_named_and_closed(written: Written) -> None:
    read(written.path, KEY)
    assert not User.objects.filter(is_active=True).exists()
    assert not any(user.has_usable_password() or user.email for user in User.objects.all())
    assert not User.objects.filter(username="recorded-nothing").exists()


@pytest.mark.django_db
def test_an_intake_on_its_way_stays_where_it_is(written: Written) -> None:
    read(written.path, KEY)
    assert [intake.file_name for intake in Intake.objects.all()] == ["old.xlsx"]


@pytest.mark.django_db
def test_a_wrong_key_or_none_reads_nothing(written: Written) -> None:
    with pytest.raises(CannotRead, match=NEEDS_KEY[:30]):
        read(written.path, None)
    with pytest.raises(WrongKey, match=NOT_ITS_KEY[:30]):
        read(written.path, Fernet(Fernet.generate_key()))
    assert not any(table.all().exists() for table in tables().values())


@pytest.mark.django_db
def test_a_record_with_anything_in_it_is_left_alone(written: Written) -> None:
    User.objects.create(username="somebody")
    with pytest.raises(CannotRead, match="not empty: user hold rows"):
        read(written.path, KEY)
    assert not Patient.objects.exists()


@pytest.mark.django_db
def test_what_no_key_here_opens_is_not_written(written: Written, tmp_path: Path) -> None:
    read(written.path, KEY)
    with override_settings(**OTHER_KEYS), pytest.raises(WrongKey, match=NOT_OURS[:30]):
        write(tmp_path / "new", KEY)
    assert not list(tmp_path.iterdir())


@pytest.mark.django_db
def test_a_file_that_stands_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "record"
    path.write_bytes(b"kept")
    with pytest.raises(FileExistsError):
        write(path, None)
    assert path.read_bytes() == b"kept"


@pytest.mark.django_db
def test_an_archive_is_its_owners_alone(tmp_path: Path) -> None:
    write(tmp_path / "record", None)
    assert (tmp_path / "record").stat().st_mode & 0o077 == 0
    assert [path.name for path in tmp_path.iterdir()] == ["record"]


def _opened(value: Any) -> Any:
    """A line with sealed values opened: sealing is never twice the same."""
    if not isinstance(value, dict):
        return value
    return {
        name: KEY.decrypt(each.encode()).decode() if name.endswith("_sealed") and each else _opened(each)
        for name, each in value.items()
    }
