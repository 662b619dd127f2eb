"""What is put back equals what was copied, by the record's own archive; who overwrites has to say so."""

import gzip
import json
import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pyrage
import pytest
from django.conf import settings

from registry.backup.engines import engine_of
from registry.backup.engines.programs import address
from registry.backup.refusals import BackupRefused
from registry.backup.restoring import restore
from tests.registry.apart import PROJECT
from tests.registry.backup.conftest import IDENTITIES, PAIR, Site, backup_of, config_of, facts_of
from tests.registry.backup.site import PACKAGE


def test_it_comes_back_equal_with_its_packages(site: Site, tmp_path: Path, settings: Any) -> None:
    taken = backup_of(site, tmp_path / "backup.age")
    assert taken.checked
    assert sum(taken.manifest.facts.rows.values()) > 1000
    settings.RELEASES_DIR, url = tmp_path / "elsewhere", site.fresh_url()
    restored = restore(tmp_path / "backup.age", IDENTITIES, config_of(url))
    assert restored.kept_aside == ""
    assert [path.read_bytes() for path in settings.RELEASES_DIR.glob("*.zip")] == [PACKAGE]
    # What the database itself says of every table, whatever it is of.
    assert facts_of(site.config) == facts_of(config_of(url)) == taken.manifest.facts


@pytest.mark.slow
def test_its_archive_is_the_same_line_by_line(site: Site, tmp_path: Path) -> None:
    backup_of(site, tmp_path / "backup.age", check=False)
    url = site.fresh_url()
    restore(tmp_path / "backup.age", IDENTITIES, config_of(url))
    mine, theirs = (_archive(each, tmp_path / f"{place}") for place, each in enumerate((site.url, url)))
    assert len(mine) > 500
    # The header tells the moment, the last line the digest over it.
    assert mine[1:-1] == theirs[1:-1]


def test_a_database_that_holds_rows_is_replaced_only_by_its_name_and_kept(site: Site, tmp_path: Path) -> None:
    path, config = tmp_path / "backup.age", site.fresh()
    backup_of(site, path, check=False)
    restore(path, IDENTITIES, config)
    before = facts_of(config)
    for word in ("", "another"):
        with pytest.raises(BackupRefused, match=r"Nothing was touched\."):
            restore(path, IDENTITIES, config, overwrite=word)
    assert facts_of(config) == before
    restored = restore(path, IDENTITIES, config, overwrite=engine_of(config).name)
    aside = Path(config["NAME"]).with_name(restored.kept_aside) if site.url.startswith("sqlite") else None
    kept = config | {"NAME": str(aside) if aside else restored.kept_aside}
    assert facts_of(kept) == before == facts_of(config)


def test_a_database_in_use_is_not_replaced(site: Site, tmp_path: Path) -> None:
    path, config = tmp_path / "backup.age", site.fresh()
    backup_of(site, path, check=False)
    restore(path, IDENTITIES, config)
    with held_open(config), pytest.raises(BackupRefused, match=r"Stop the site .*Nothing was touched\."):
        restore(path, IDENTITIES, config, overwrite=engine_of(config).name)
    assert restore(path, IDENTITIES, config, overwrite=engine_of(config).name).kept_aside


@contextmanager
def held_open(config: dict[str, Any]) -> Iterator[None]:
    """Another connection than Django's has the database open, and has read from it."""
    if config["ENGINE"].endswith("sqlite3"):
        connection: Any = sqlite3.connect(config["NAME"])
        connection.execute("PRAGMA journal_mode=WAL")
    else:
        connection = psycopg.connect(address(config))
    with closing(connection):
        connection.execute("SELECT count(*) FROM registry_unit").fetchone()
        yield


def test_a_backup_of_another_engine_is_refused(sqlite_site: Site, tmp_path: Path) -> None:
    path = tmp_path / "backup.age"
    backup_of(sqlite_site, path, check=False)
    elsewhere = {"ENGINE": "django.db.backends.postgresql", "NAME": "none", "OPTIONS": {}}
    with pytest.raises(BackupRefused, match="archive write"):
        restore(path, IDENTITIES, elsewhere)


def test_the_public_key_alone_opens_nothing_and_no_key_is_in_it(sqlite_site: Site, tmp_path: Path) -> None:
    path = tmp_path / "backup.age"
    backup_of(sqlite_site, path, check=False)
    assert path.stat().st_mode & 0o777 == 0o600
    with pytest.raises(BackupRefused, match="does not open by the key given"):
        restore(path, [pyrage.x25519.Identity.generate()], sqlite_site.fresh())
    # The open format: pyrage's own one-shot call and gzip read it without our code.
    plain = gzip.decompress(pyrage.decrypt(path.read_bytes(), [PAIR]))
    for key in (settings.SECRET_KEY, settings.IDENTITY_INDEX_KEY, *settings.IDENTITY_KEYS):
        assert key.encode() not in plain


def _archive(url: str, path: Path) -> list[bytes]:
    """Every line of the record's archive, as the command writes it."""
    program = [sys.executable, "manage.py", "archive", "write", str(path), "--without-identities", "--json"]
    environment = os.environ | {"DATABASE_URL": url, "RIMWARD_LOCAL_DIR": str(path.parent)}
    done = subprocess.run(program, cwd=PROJECT, env=environment, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr[-3000:]
    assert json.loads(done.stdout)["patient"] > 10
    return gzip.decompress(path.read_bytes()).splitlines()
