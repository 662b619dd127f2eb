# ruff: noqa: S608 - every name in this SQL is a table of the database
"""Erasure: everything of the patient goes or is blanked, nothing of anybody else's; and who sees to it."""

import gzip
import json
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from cryptography.fernet import Fernet
from django.core.exceptions import ObjectDoesNotExist, ValidationError
from django.core.management import call_command
from django.db import IntegrityError, connection, transaction
from django.db.models import CharField, JSONField, Model, TextField
from django.utils import timezone

from outcomes.cache import data_version
from registry import sealing
from registry.archive.writing import write
from registry.models import (
    Correction,
    Draft,
    Erasure,
    Identity,
    Intake,
    IntakeRow,
    Membership,
    Opening,
    Patient,
    PatientLink,
    PatientReport,
    Repair,
    Visit,
    triggers,
)
from registry.models.cross_rules import CrossRule
from registry.recording import Act, correct, record, withdraw
from registry.rights import free_text, repeating
from registry.rights.belonging import keys_of, paths
from registry.rights.erasing import Request, erase, may_keep_outcome
from tests import factories
from tests.registry.rights.conftest import BORN_ON, CANARY, Whole

KEY = Fernet(Fernet.generate_key())
ASKED_ON = date(2026, 1, 5)


def asked(whole: Whole, **more: Any) -> Request:
    said = {"asked_on": ASKED_ON, "reason": "asked in writing", **more}
    return Request(whole.patient, whole.cast.unit, whole.cast.administrator, **said)


def permit_research(whole: Whole) -> None:
    factories.corrected(whole.patient, research_permission="given", research_permission_on=date(2024, 2, 1))


def archive(path: Path) -> dict[tuple[str, Any], dict[str, Any]]:
    """Every row of the record by table and key, sealed values opened."""
    write(path, KEY)
    with gzip.open(path, "rt", encoding="utf-8", newline="\n") as file:
        lines = [json.loads(line) for line in file][1:-1]
    return {(each["table"], each["row"]["id"]): opened(each["row"]) for each in lines}


def opened(row: dict[str, Any]) -> dict[str, Any]:
    """Values that are sealed anew at every writing, plain."""
    return {
        name: opened(value)
        if isinstance(value, dict)
        else KEY.decrypt(value.encode()).decode()
        if name.endswith("_sealed") and value
        else value
        for name, value in row.items()
    }


def names(keys: dict[type[Model], set[int]]) -> set[tuple[str, int]]:
    return {
        (model._meta.db_table.removeprefix("registry_"), key) for model, held in keys.items() for key in held
    }


def brought(whole: Whole) -> set[tuple[str, int]]:
    return {("intakerow", key) for key in IntakeRow.objects.values_list("pk", flat=True)}


def test_the_fixture_has_a_row_of_every_table_that_hangs_on_a_patient(whole: Whole) -> None:
    """What the other tests claim of every table rests on this; the tables are found from the models."""
    assert [model.__name__ for model, held in keys_of(whole.patient).items() if not held] == []


def text_columns(model: type[Model]) -> set[str]:
    """The columns of a table that may hold any text: no codes, keys, numbers or days."""
    return {
        each.attname
        for each in model._meta.concrete_fields
        if isinstance(each, CharField | TextField | JSONField) and not each.flatchoices
    }


def test_every_column_of_text_is_replaced_kept_or_goes_with_its_table() -> None:
    for model in paths():
        if model in free_text.GONE:
            continue
        said = free_text.REPLACED.get(model, {}).keys() | free_text.KEPT.get(model, {}).keys()
        assert text_columns(model) == said, model.__name__


def test_without_permission_the_whole_record_goes_and_nobody_elses(whole: Whole, tmp_path: Path) -> None:
    before = archive(tmp_path / "before")
    theirs = names(keys_of(whole.patient)) | brought(whole)
    uuid = whole.patient.uuid
    erasure = erase(asked(whole))
    assert not erasure.keeps_outcome
    assert not erasure.in_hand
    assert erasure.patient_uuid == uuid
    after = archive(tmp_path / "after")
    assert after == {key: row for key, row in before.items() if key not in theirs}
    assert not Patient.ever.filter(uuid=uuid).exists()
    assert not PatientLink.objects.exists()
    assert not Opening.objects.exists()
    assert not Draft.objects.exists()
    connection.check_constraints()


def test_with_permission_repairs_stay_and_the_words_go(whole: Whole, tmp_path: Path) -> None:
    permit_research(whole)
    before = archive(tmp_path / "before")
    theirs, gone = names(keys_of(whole.patient)), {("identity", whole.rows["Identity"].pk)}
    identity = Correction.objects.filter(row_table=Identity._meta.db_table)
    gone |= {("correction", key) for key in identity.values_list("pk", flat=True)}
    gone |= {
        ("intakerow", key)
        for key in IntakeRow.objects.filter(row_table=Identity._meta.db_table).values_list("pk", flat=True)
    }
    assert erase(asked(whole)).keeps_outcome
    after = archive(tmp_path / "after")
    assert before.keys() - after.keys() == gone
    assert not after.keys() - before.keys()
    changed = {key for key in after if after[key] != before[key]}
    assert changed <= theirs, "another's row was touched"
    assert {table for table, _ in changed} == {
        "patient",
        "patientreport",
        "softanswer",
        "implant",
        "correction",
    }
    assert not Draft.objects.exists()
    assert not PatientLink.objects.exists()
    connection.check_constraints()


def test_nothing_typed_and_no_day_of_birth_is_left(whole: Whole) -> None:
    permit_research(whole)
    erase(asked(whole))
    held = everything_held()
    assert CANARY not in held
    assert "SN-4711" not in held
    assert "N-1" not in held
    assert not any(day.isoformat() in held for day in BORN_ON)
    left = Patient.ever.get(pk=whole.rows["Patient"].pk)
    assert (left.born_on, left.born_on_is_exact) == (date(1988, 7, 1), False)
    assert Repair.objects.filter(tear__procedure__knee__patient=left).exists()
    assert PatientReport.objects.get(knee__patient=left).operated_again == "unsure"


def everything_held() -> str:
    """Every value of every table of the database, sealed ones opened, as one text."""
    told = []
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names(cursor):
            cursor.execute(f"SELECT * FROM {connection.ops.quote_name(table)}")
            told += [unsealed(value) for row in cursor.fetchall() for value in row]
    return "\n".join(told)


def unsealed(value: Any) -> str:
    """A text, and whatever in it is a Fernet token (they begin with gAAAA) opened."""
    text = value if isinstance(value, str) else json.dumps(value, default=str)
    tokens = [word.strip('"') for word in text.replace(",", " ").replace("}", " ").split() if "gAAAA" in word]
    return " ".join([text, *(sealing.unseal(token) for token in tokens)])


def test_the_search_for_what_is_left_would_find_it(whole: Whole) -> None:
    held = everything_held()
    assert held.count(CANARY) >= 6
    assert "SN-4711" in held
    assert "N-1" in held
    assert all(day.isoformat() in held for day in BORN_ON)


def test_who_left_research_or_wants_all_gone_keeps_nothing(whole: Whole) -> None:
    permit_research(whole)
    assert may_keep_outcome(whole.patient)
    factories.corrected(whole.rows["EndOfFollowUp"], reason="withdrew", attempts=None)
    assert not may_keep_outcome(whole.patient)
    factories.corrected(whole.rows["EndOfFollowUp"], reason="moved")
    assert not erase(asked(whole, everything=True)).keeps_outcome
    assert not Patient.ever.filter(pk=whole.rows["Patient"].pk).exists()


def test_the_version_of_the_record_counts_up(whole: Whole) -> None:
    before = data_version()
    erase(asked(whole))
    assert data_version() > before


@pytest.mark.parametrize(
    "more", [{"asked_on": timezone.now().date() + timedelta(days=2)}, {"reason": " "}], ids=["day", "reason"]
)
def test_what_is_asked_wrongly_erases_nothing(whole: Whole, more: dict[str, Any]) -> None:
    before = keys_of(whole.patient)
    with pytest.raises(ValidationError):
        erase(asked(whole, **more))
    assert keys_of(whole.patient) == before
    assert not Erasure.objects.exists()


def operated_elsewhere(whole: Whole) -> None:
    factories.an_operation(
        whole.cast.other_unit, whole.cast.oak, whole.knee, operated_on=date(2024, 9, 1), injured_on=None
    )


def test_who_manages_not_every_unit_concerned_is_refused_once_the_record_is_held(whole: Whole) -> None:
    operated_elsewhere(whole)
    before = keys_of(whole.patient)
    with pytest.raises(ValidationError, match="Southmere Hospital also holds entries of this patient"):
        erase(asked(whole))
    assert keys_of(whole.patient) == before
    assert not Erasure.objects.exists()
    record(Membership(user=whole.cast.administrator, unit=whole.cast.other_unit, role="administrator"))
    erase(asked(whole))
    assert not Patient.ever.filter(pk=whole.rows["Patient"].pk).exists()


def test_the_command_erases_a_patient_of_several_units(whole: Whole) -> None:
    operated_elsewhere(whole)
    said = {"--unit": "northmere", "--as": "administrator", "--asked-on": "2026-01-05", "--reason": "agreed"}
    call_command(
        "erase", "patient", str(whole.patient.uuid), *(word for pair in said.items() for word in pair)
    )
    assert not Patient.ever.filter(pk=whole.rows["Patient"].pk).exists()


def test_a_patient_of_several_units_is_erased_again_from_a_list(whole: Whole) -> None:
    operated_elsewhere(whole)
    line = {"patient": str(whole.patient.uuid), "unit": "northmere", "asked_on": "2026-01-05"}
    (erased,) = repeating.repeat(
        [{**line, "reason": "agreed", "keeps_outcome": False}], whole.cast.administrator
    )
    assert erased.reason == "agreed"
    assert not Patient.ever.filter(pk=whole.rows["Patient"].pk).exists()


def test_it_is_done_whole_or_not_at_all(whole: Whole) -> None:
    """The last write of it refused by the database: everything is back."""
    permit_research(whole)
    before = keys_of(whole.patient)
    refusal = CrossRule("registry_a_test", Erasure._meta.db_table, "1 = 1", "no", ("UPDATE",), False)
    triggers.put("default", "registry", [refusal])
    with pytest.raises(IntegrityError):
        erase(asked(whole))
    assert keys_of(whole.patient) == before
    assert not Erasure.objects.exists()


def put_in_hand(**said: Any) -> Erasure:
    return Erasure.objects.create(**said)


def test_a_draft_that_no_key_opens_is_left_and_stands_in_nobodys_way(whole: Whole) -> None:
    lost = Draft.objects.create(user=whole.cast.colleague, page="/operations/new/", sealed="of a lost key")
    erase(asked(whole))
    assert Draft.objects.get() == lost


def test_an_intake_undone_afterwards_takes_back_the_rest(whole: Whole) -> None:
    permit_research(whole)
    erase(asked(whole))
    assert set(IntakeRow.objects.values_list("row_table", flat=True)) == {
        "registry_patient",
        "registry_knee",
        "registry_tear",
    }
    assert Intake.objects.get().file_sealed is None


# --- what the database holds --------------------------------------------------------------------


def in_hand(whole: Whole) -> Erasure:
    return put_in_hand(
        unit=whole.cast.unit,
        patient_uuid=whole.patient.uuid,
        asked_on=ASKED_ON,
        by=whole.cast.administrator,
        reason="asked",
        keeps_outcome=False,
    )


def test_the_database_lets_rows_go_only_while_an_erasure_is_in_hand(whole: Whole) -> None:
    visit: Any = Visit.ever.filter(pk=whole.rows["Visit"].pk)
    correction: Any = Correction.objects.filter(row_table=Visit._meta.db_table)

    def tries() -> list[bool]:
        return [
            refused(lambda: visit.update(effusion="none")),
            refused(lambda: correction.update(reason="another")),
            refused(lambda: correction._raw_delete("default")),
            refused(lambda: visit._raw_delete("default")),
        ]

    assert tries() == [True] * 4
    with transaction.atomic():
        in_hand(whole)
        assert tries() == [False] * 4
        transaction.set_rollback(True)
    done = in_hand(whole)
    done.in_hand = False
    done.save()
    assert tries() == [True] * 4


def refused(write: Any) -> bool:
    try:
        with transaction.atomic():
            write()
    except IntegrityError:
        return True
    return False


def test_an_erasure_is_neither_changed_nor_taken_back(whole: Whole) -> None:
    erasure = erase(asked(whole))
    rows: Any = Erasure.objects.filter(pk=erasure.pk)
    assert refused(lambda: rows.update(reason="another"))
    assert refused(lambda: rows.update(in_hand=True))
    assert refused(lambda: rows._raw_delete("default"))


def test_postgresql_commits_no_erasure_that_is_still_in_hand(whole: Whole) -> None:
    """What COMMIT would ask, asked at once: PostgreSQL's own SET CONSTRAINTS. SQLite has no such question."""
    erasure = in_hand(whole)
    asks = connection.vendor == "postgresql"
    with connection.cursor() as cursor:
        assert refused(lambda: asks and cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")) is asks
    erasure.in_hand = False
    erasure.save()
    with connection.cursor() as cursor:
        assert not refused(lambda: asks and cursor.execute("SET CONSTRAINTS ALL IMMEDIATE"))


def test_who_writes_at_once_is_told_that_the_patient_is_gone(whole: Whole) -> None:
    visit, patient = whole.rows["Contact"], whole.patient
    erase(asked(whole))
    with pytest.raises(ObjectDoesNotExist):
        withdraw(visit, Act(None, "late"))
    patient.sex = "male"
    with pytest.raises(Patient.DoesNotExist):
        correct(patient, act=Act(None, "late"))
