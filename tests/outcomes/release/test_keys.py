"""Keys of projects: kept by the project they began with, rotated, missed in words, and never written down."""

import gzip
import io
import logging
import zipfile
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connection

from outcomes.models import LedgerKind
from outcomes.naming import name_cohort
from outcomes.release import keys, ledger
from outcomes.release.making import make_package
from tests import factories
from tests.outcomes.release.asking import asked

pytestmark = pytest.mark.django_db

OLD, NEW = "o" * 40, "n" * 40
LONG_SECRET = "Zwaxvreemlk-Quilgothram-Bexluminor-Tawdrizzen"


def released(cast: Any, project: str, **content: Any) -> None:
    said = {"asked": {"project": project, "units": ["northmere"]}, "sha256": "ab", **content}
    ledger.write(LedgerKind.ROWS, cast.coordinator, said)


def name_of(project: str) -> str:
    return keys.pseudonyms_for(project)[0].of("patient", 1)


def test_a_project_keeps_the_key_it_began_with(cast, settings):
    settings.RELEASE_KEYS = [OLD]
    before = name_of("zones")
    released(cast, "zones", key=keys.fingerprint(OLD))
    settings.RELEASE_KEYS = [NEW, OLD]
    assert name_of(" Zones ") == before
    assert keys.pseudonyms_for("zones")[1] == keys.fingerprint(OLD)
    assert keys.pseudonyms_for("ramps")[1] == keys.fingerprint(NEW)
    assert name_of("ramps") != before


def test_releases_from_before_fingerprints_have_the_oldest_key(cast, settings):
    ledger.write(LedgerKind.ROWS, cast.coordinator, {"project": "zones", "units": [], "sha256": "ab"})
    settings.RELEASE_KEYS = [NEW, OLD]
    assert keys.pseudonyms_for("zones")[1] == keys.fingerprint(OLD)


def test_a_missing_key_is_missed_in_words(cast, settings):
    released(cast, "zones", key=keys.fingerprint(OLD))
    settings.RELEASE_KEYS = [NEW]
    with pytest.raises(
        keys.KeyMissingError, match=f"{keys.fingerprint(OLD)}, which is not among RELEASE_KEYS"
    ):
        keys.pseudonyms_for("zones")
    assert keys.pseudonyms_for("ramps")


def test_a_fingerprint_tells_keys_apart_and_nothing_else():
    prints = {keys.fingerprint(f"{number:040d}") for number in range(2000)}
    assert len(prints) == 2000
    assert keys.fingerprint(OLD) not in OLD


def everything_in_the_database() -> bytes:
    """Every value of every table, as bytes."""
    values = []
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names(cursor):
            cursor.execute(f'SELECT * FROM "{table}"')  # noqa: S608 - a table of ours
            values += [value for row in cursor.fetchall() for value in row]
    return b"\0".join(
        bytes(each) if isinstance(each, (bytes, memoryview)) else str(each).encode() for each in values
    )


def in_any_form(key: str, searched: bytes) -> bool:
    raw = key.encode()
    return any(form in searched for form in (raw, raw[::-1], raw.hex().encode(), raw.lower()))


def test_no_key_is_in_database_log_backup_or_package(cast, settings, tmp_path: Path, caplog):
    settings.RELEASE_KEYS, settings.RELEASES_DIR = [LONG_SECRET], tmp_path / "releases"
    for number in range(6):
        told = {"research_permission": "given", "research_permission_on": factories.OPERATED_ON}
        knee = factories.a_knee(cast.unit, **told)
        factories.a_contact(
            factories.a_repair(factories.an_operation(cast.unit, cast.oak, knee)), 300 + number
        )
    name_cohort(cast.coordinator, "every repair", {"which": "all"})
    with caplog.at_level(logging.DEBUG):
        path, entry = make_package(asked(cast.unit, attributes=("sex",)), cast.coordinator)
    backup = io.StringIO()
    call_command("dumpdata", stdout=backup, verbosity=0)
    with zipfile.ZipFile(path) as package:
        members = b"\0".join(package.read(name) for name in package.namelist())
    places = {
        "database": everything_in_the_database(),
        "backup": backup.getvalue().encode(),
        "log": caplog.text.encode(),
        "package": path.read_bytes() + members,
    }
    assert [place for place, searched in places.items() if in_any_form(LONG_SECRET, searched)] == []
    assert entry.said["key"].encode() in places["database"]
    assert in_any_form(LONG_SECRET, gzip.decompress(gzip.compress(b"x" + LONG_SECRET[::-1].encode())))
