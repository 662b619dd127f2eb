# ruff: noqa: S608 - the one name in this SQL is our own table
"""The ledger: written at its end alone, kept from any change by the database, proved by its chain."""

import json
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.core.management import CommandError, call_command
from django.db import Error, connection, transaction

from outcomes.models import Briefing, LedgerEntry, LedgerKind, NamedCohort
from outcomes.models.release import NOTHING_BEFORE
from outcomes.naming import name_cohort
from outcomes.release import ledger, store
from registry.models import Unit, triggers
from tests import factories

pytestmark = pytest.mark.django_db

TABLE = LedgerEntry._meta.db_table


@pytest.fixture(autouse=True)
def packages(settings: Any, tmp_path: Path) -> Path:
    settings.RELEASES_DIR = tmp_path / "releases"
    return Path(settings.RELEASES_DIR)


@pytest.fixture
def write(cast: Any) -> Callable[..., LedgerEntry]:
    def a_release(units: tuple[str, ...] = ("northmere",), **content: Any) -> LedgerEntry:
        asked = {"project": "zones", "units": [*units]}
        return ledger.write(LedgerKind.ROWS, cast.coordinator, {"asked": asked, "sha256": "ab", **content})

    return a_release


def refused(statement: str, *parameters: Any) -> str:
    """What the database says to a statement."""
    with pytest.raises(Error) as refusal, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement, parameters)
    return str(refusal.value)


def test_each_entry_follows_the_last_by_number_and_hash(write):
    first, second, third = write(), write(note="Ünïcode stays"), write()
    assert first.previous_hash == NOTHING_BEFORE
    assert [entry.number for entry in (first, second, third)] == [1, 2, 3]
    assert (second.previous_hash, third.previous_hash) == (first.own_hash, second.own_hash)
    again = LedgerEntry.objects.get(number=2)
    assert again.own_hash == again.worked_out_hash()
    assert again.said["by"] == "coordinator"
    assert ledger.verify() == ledger.Verified(3, (), third.own_hash)


def test_the_database_refuses_to_change_or_delete(write):
    entry = write()
    assert "stays as written" in refused(f"UPDATE {TABLE} SET content = '{{}}' WHERE id = %s", entry.pk)
    assert "stays as written" in refused(f"UPDATE {TABLE} SET number = number + 1")
    assert "never deleted" in refused(f"DELETE FROM {TABLE}")
    if connection.vendor == "postgresql":
        # Else the test's own open rows would refuse it first.
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        assert "never deleted" in refused(f"TRUNCATE {TABLE} CASCADE")
    assert LedgerEntry.objects.get() == entry


def test_the_database_refuses_a_fork_a_gap_and_a_second_beginning(write, cast):
    first, second = write(), write()
    for number, previous in ((3, first.own_hash), (4, second.own_hash), (1, NOTHING_BEFORE), (3, "f" * 64)):
        entry = LedgerEntry(
            number=number,
            kind="rows",
            written_by=cast.coordinator,
            content="{}",
            previous_hash=previous,
            own_hash=f"{number:064d}",
        )
        with pytest.raises(Error), transaction.atomic():
            entry.save()
    assert LedgerEntry.objects.count() == 2


def test_briefings_and_versions_of_cohorts_stay_as_written_too(cast):
    version = name_cohort(cast.surgeon, "Ramps", {"pattern": "ramp"}).latest
    assert "stays as written" in refused("UPDATE outcomes_cohortversion SET number = 2")
    briefing = Briefing.objects.create(
        unit=cast.unit,
        made_by=cast.audit_lead,
        definition="any",
        closed_on=factories.OPERATED_ON,
        numbers={},
        html_gzipped=b"",
        sha256="",
    )
    assert "stays as written" in refused("UPDATE outcomes_briefing SET note = 'better'")
    assert "never deleted" in refused("DELETE FROM outcomes_briefing")
    assert Briefing.objects.get() == briefing
    # A name may be dropped, with its versions: the ledger holds what was released by it.
    NamedCohort.objects.filter(pk=version.cohort_id).delete()


def tampered(statement: str, *parameters: Any) -> None:
    """Change the ledger as somebody could who owns the database."""
    triggers.remove("default")
    with connection.cursor() as cursor:
        cursor.execute(statement, parameters)


@pytest.mark.parametrize(
    ("statement", "found"),
    [
        (
            f"UPDATE {TABLE} SET content = replace(content, 'zones', 'ramps') WHERE number = 2",
            "Entry 2 was changed",
        ),
        (
            f"UPDATE {TABLE} SET written_at = '2020-01-01 00:00:00+00:00' WHERE number = 1",
            "Entry 1 was changed",
        ),
        (f"UPDATE {TABLE} SET kind = 'counts' WHERE number = 3", "Entry 3 was changed"),
        (f"DELETE FROM {TABLE} WHERE number = 2", "Entry 3 stands in place 2"),
    ],
)
def test_whoever_tampers_all_the_same_is_found_out(write, statement, found):
    for _ in range(3):
        write()
    tampered(statement)
    problems = ledger.verify().problems
    assert any(found in problem for problem in problems), problems


def test_a_tail_cut_off_is_told_by_a_hash_noted_elsewhere(write, capsys):
    noted = [write().own_hash for _ in range(3)][-1]
    call_command("ledger", "verify", "--head", noted)
    assert f"3 entries, 0 problems. Last hash: {noted}" in capsys.readouterr().out
    tampered(f"DELETE FROM {TABLE} WHERE number = 3")
    assert ledger.verify().holds
    with pytest.raises(CommandError, match="does not hold"):
        call_command("ledger", "verify", "--head", noted, "--json")
    assert "cut off" in json.loads(capsys.readouterr().out)["problems"][0]


def test_packages_are_held_against_the_ledger(write, packages):
    entry = write(kept=True)
    assert "is not in the store" in ledger.verify().problems[0]
    (store.folder() / f"{entry.uuid}.zip").write_bytes(b"not what was released")
    assert "not the one that was released" in ledger.verify().problems[0]
    (store.folder() / "5d7f8a52-5b64-4be9-9b3f-0a1e3f0a0a01.zip").write_bytes(b"")
    assert "without an entry" in ledger.verify().problems[1]


def test_what_is_moved_on_or_lies_astray_in_pending_keeps_nobody_from_looking(write, packages):
    entry = write()
    pending = store.folder() / "pending"
    pending.mkdir()
    (pending / "note.txt").write_text("astray")
    (pending / f"{entry.uuid}.part").symlink_to("moved-on-by-another")
    (pending / f"{entry.uuid}.zip").write_bytes(b"whole")
    store.settle()
    assert [path.stem for path in store.packages()] == [str(entry.uuid)]


def test_a_recall_is_an_entry_with_its_reason_once(write, cast):
    entry = write()
    with pytest.raises(ValidationError, match="Reason is missing"):
        ledger.recall(entry, cast.coordinator, " ")
    recall = ledger.recall(entry, cast.coordinator, "wrong  cohort")
    assert (recall.kind, recall.of, recall.said["reason"]) == ("recall", entry, "wrong cohort")
    with pytest.raises(ValidationError, match="recalled already"):
        ledger.recall(entry, cast.coordinator, "again")
    with pytest.raises(ValidationError, match="is no release"):
        ledger.recall(recall, cast.coordinator, "undone")
    assert LedgerEntry.objects.count() == 2


def test_entries_are_read_by_who_releases_from_all_their_units(write, cast):
    ours, both = write(), write(units=("northmere", "southmere"))
    word = ledger.recall(both, cast.coordinator, "wrong")
    one = Unit.objects.filter(pk=cast.unit.pk)
    assert ledger.for_units(one) == [ours]
    assert ledger.for_units(Unit.objects.all()) == [word, both, ours]


def test_the_command_lists_and_recalls(write, cast, capsys):
    entry = write()
    call_command("ledger", "recall", str(entry.uuid), "--by", "coordinator", "--reason", "wrong cohort")
    call_command("ledger", "list")
    said = capsys.readouterr().out
    assert "Release 1 is recalled." in said
    assert said.count(str(entry.uuid)) == 2
    with pytest.raises(CommandError, match="may not release"):
        call_command("ledger", "recall", str(entry.uuid), "--by", "oak", "--reason", "again")


@pytest.mark.skipif(
    connection.vendor == "sqlite",
    reason="SQLite lets one write at a time; the test database is one connection",
)
def test_two_at_once_both_succeed_in_order(transactional_db, cast):
    together = threading.Barrier(2)

    def one() -> None:
        together.wait()
        for _ in range(5):
            ledger.write(LedgerKind.ROWS, cast.coordinator, {"asked": {}})
        connection.close()

    threads = [threading.Thread(target=one) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [entry.number for entry in LedgerEntry.objects.order_by("number")] == list(range(1, 11))
    assert ledger.verify().holds
