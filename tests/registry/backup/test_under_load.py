"""A backup taken while others write holds one state; one that is killed leaves nothing behind."""

import os
import signal
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg
import pytest
from django.db import connections

from registry.backup.engines import engine_of
from registry.backup.engines.aliases import alias_for
from registry.backup.engines.programs import address
from registry.backup.refusals import BackupRefused
from registry.backup.restoring import restore
from tests.registry.backup.conftest import IDENTITIES, Site, backup_of, facts_of
from tests.registry.backup.site import PACKAGE

WRITERS = 4
_INSERTS = {
    True: "INSERT INTO auth_group (name) VALUES (:name)",
    False: "INSERT INTO auth_group (name) VALUES (%(name)s)",
}


def test_a_backup_among_writers_holds_each_transaction_whole_or_not_at_all(
    site: Site, tmp_path: Path
) -> None:
    config = site.fresh()
    backup_of(site, tmp_path / "first.age", check=False)
    restore(tmp_path / "first.age", IDENTITIES, config)
    busy = Site(_url(site, config), site.releases, site.fresh_url)
    with writing(config) as acknowledged:
        while len(acknowledged) < 2 * WRITERS:
            threading.Event().wait(0.01)
        before = set(acknowledged)
        backup_of(busy, tmp_path / "busy.age")
        after = len(acknowledged)
    assert after > len(before), "nobody wrote meanwhile"
    found = site.fresh()
    restore(tmp_path / "busy.age", IDENTITIES, found)
    names = _names(found)
    firsts, seconds = ({name[1:] for name in names if name[0] == side} for side in "ab")
    assert firsts == seconds, "half a transaction"
    assert before <= firsts, "one was acknowledged before the backup began, and is not in it"


@contextmanager
def writing(config: dict[str, Any]) -> Iterator[list[str]]:
    """Four who write two rows a transaction, again and again; what was acknowledged so far."""
    acknowledged: list[str] = []
    enough = threading.Event()
    workers = [
        threading.Thread(target=_write, args=(config, acknowledged, enough, str(number)))
        for number in range(WRITERS)
    ]
    for each in workers:
        each.start()
    try:
        yield acknowledged
    finally:
        enough.set()
        for each in workers:
            each.join()


def _write(config: dict[str, Any], acknowledged: list[str], enough: threading.Event, who: str) -> None:
    for place in range(100_000):
        if enough.wait(0.002):
            return
        name = f"{who}-{place}"
        with closing(_connected(config)) as connection, suppress(sqlite3.OperationalError):
            # Both drivers take a value by its name, each in its own way.
            insert = _INSERTS[isinstance(connection, sqlite3.Connection)]
            for side in "ab":
                connection.execute(insert, {"name": side + name})
            connection.commit()
            acknowledged.append(name)


def _connected(config: dict[str, Any]) -> Any:
    if not config["ENGINE"].endswith("sqlite3"):
        return psycopg.connect(address(config))
    connection = sqlite3.connect(config["NAME"], timeout=20)
    connection.execute("PRAGMA journal_mode=WAL")
    return connection


def _names(config: dict[str, Any]) -> set[str]:
    with closing(_connected(config)) as connection:
        return {name for (name,) in connection.execute("SELECT name FROM auth_group").fetchall()}


def _url(site: Site, config: dict[str, Any]) -> str:
    return site.url.replace(site.config["NAME"], config["NAME"])


# With a private key at hand the second step is left out: the encrypted file is checked instead.
@pytest.mark.parametrize("step", [0, 2, 3])
def test_killed_at_any_step_it_leaves_no_file_under_its_name(
    sqlite_site: Site, tmp_path: Path, settings: Any, step: int
) -> None:
    path = tmp_path / "backup.age"
    _killed(lambda tell: backup_of(sqlite_site, path, identities=IDENTITIES, tell=tell), step)
    assert not path.exists()
    assert list(settings.BACKUP_WORK_DIR.iterdir()), "it had begun"
    assert backup_of(sqlite_site, path, check=False).path == path
    # What the killed one left is gone: nothing readable lies about.
    assert list(settings.BACKUP_WORK_DIR.iterdir()) == []
    assert [each.name for each in tmp_path.iterdir() if "age" in each.name] == [path.name]


@pytest.mark.parametrize("step", range(4))
def test_a_restore_killed_at_any_step_leaves_the_database_whole(
    sqlite_site: Site, tmp_path: Path, step: int
) -> None:
    path, config = tmp_path / "backup.age", sqlite_site.fresh()
    backup_of(sqlite_site, path, check=False)
    restore(path, IDENTITIES, config)
    before = facts_of(config)
    name = engine_of(config).name
    _killed(lambda tell: restore(path, IDENTITIES, config, overwrite=name, tell=tell), step)
    assert facts_of(config) == before


def _killed(work: Callable[[Callable[[str, int, int], None]], object], step: int) -> None:
    """Do work in a process of its own, which is killed as soon as it begins a step."""

    def tell(_: str, done: int, __: int) -> None:
        if done == step:
            os.kill(os.getpid(), signal.SIGKILL)

    child = os.fork()
    if child == 0:
        # Nothing of pytest may run on in the child, whatever happens.
        with suppress(BaseException):
            work(tell)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), "it was not killed"


def test_a_missing_package_is_told_and_let_pass_only_when_asked(
    sqlite_site: Site, tmp_path: Path, settings: Any
) -> None:
    settings.RELEASES_DIR = tmp_path / "emptied"
    with pytest.raises(BackupRefused, match="a package that the ledger names is missing"):
        backup_of(sqlite_site, tmp_path / "backup.age")
    assert not list(tmp_path.glob("*age*"))
    assert backup_of(sqlite_site, tmp_path / "backup.age", despite_problems=True).manifest.problems
    restored = restore(tmp_path / "backup.age", IDENTITIES, sqlite_site.fresh())
    assert any("is missing" in each for each in restored.to_do)


def test_another_file_under_a_packages_name_stops_the_restore(
    sqlite_site: Site, tmp_path: Path, settings: Any
) -> None:
    backup_of(sqlite_site, tmp_path / "backup.age", check=False)
    (package,) = sqlite_site.releases.glob("*.zip")
    settings.RELEASES_DIR, target = tmp_path / "store", sqlite_site.fresh()
    settings.RELEASES_DIR.mkdir()
    (settings.RELEASES_DIR / package.name).write_bytes(PACKAGE + b"!")
    (settings.RELEASES_DIR / f"{uuid4()}.zip").write_bytes(b"released after the backup")
    with pytest.raises(
        BackupRefused, match=r"not the file of that name in the backup.*Nothing was touched\."
    ):
        restore(tmp_path / "backup.age", IDENTITIES, target)
    assert not Path(target["NAME"]).exists()
    (settings.RELEASES_DIR / package.name).unlink()
    restored = restore(tmp_path / "backup.age", IDENTITIES, target)
    assert any("left the house after it was made" in each for each in restored.to_do)


def test_a_patient_erased_since_is_told(sqlite_site: Site, tmp_path: Path) -> None:
    path, config, erased = tmp_path / "backup.age", sqlite_site.fresh(), uuid4()
    backup_of(sqlite_site, path, check=False)
    restore(path, IDENTITIES, config)
    with alias_for(config) as alias, connections[alias].cursor() as cursor:
        cursor.execute(
            "INSERT INTO registry_erasure (uuid, unit_id, patient_uuid, asked_on, erased_at, by_id, reason, "
            "keeps_outcome, rows, in_hand) SELECT %s, (SELECT min(id) FROM registry_unit), %s, '2026-01-01', "
            "'2026-01-01 00:00:00', (SELECT min(id) FROM registry_user), 'asked', 1, '{}', 0",
            [uuid4().hex, erased.hex],
        )
    restored = restore(path, IDENTITIES, config, overwrite=engine_of(config).name)
    assert any(erased.hex in each and "erase again" in each for each in restored.to_do)
