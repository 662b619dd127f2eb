"""SQLite: copied page by page from within one read, and put back by renaming."""

import hashlib
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from itertools import count
from pathlib import Path
from uuid import uuid4

from django.db import connections

from registry.backup.engines.aliases import alias_for
from registry.backup.engines.engine import Engine
from registry.backup.engines.tables import migrations_in, tables_in
from registry.backup.files import copy_whole, flush_path
from registry.backup.manifest import Facts
from registry.backup.refusals import BackupRefused

IN_USE = (
    "{name} is open elsewhere, so what is written there meanwhile would be lost. Stop the site and every "
    "command that works on it, then restore again. Nothing was touched."
)
BUSY = "{name} could not be copied: another connection keeps it locked. No backup was written. Try again."
# In quarters of a second, by which sqlite3 tries again.
LONGEST_WAIT = 80


class SQLite(Engine):
    """A database that is one file."""

    vendor = "sqlite"

    @property
    def path(self) -> Path:
        return Path(self.config["NAME"])

    @property
    def name(self) -> str:
        return self.path.name

    def version(self, using: str) -> str:
        return sqlite3.sqlite_version

    @contextmanager
    def snapshot(self) -> Iterator[str]:
        with alias_for(self.config) as alias, connections[alias].cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")
            # A read fixes the state; in WAL mode others go on writing after it.
            cursor.execute("SELECT count(*) FROM sqlite_master")
            cursor.fetchone()
            yield alias
            cursor.execute("ROLLBACK")

    def dump(self, using: str, into: Path) -> None:
        with closing(sqlite3.connect(into)) as copy:
            # The connection of the snapshot copies what it sees. By itself it would wait for ever.
            waited = count()

            def told(status: int, remaining: int, total: int) -> None:
                if status == sqlite3.SQLITE_BUSY and next(waited) > LONGEST_WAIT:
                    raise BackupRefused(BUSY.format(name=self.path))

            connections[using].connection.backup(copy, progress=told)
            # One file, with nothing beside it that it needs.
            copy.execute("PRAGMA journal_mode=DELETE")

    def facts(self, using: str) -> Facts:
        rows, digests = {}, {}
        for table in tables_in(using):
            rows[table], digests[table] = _count_and_digest(using, table)
        return Facts(rows, digests, _rules(using), migrations_in(using))

    @contextmanager
    def scratch(self, dump: Path) -> Iterator[str]:
        path = dump.with_name(f"scratch-{uuid4().hex[:8]}")
        shutil.copyfile(dump, path)
        try:
            with alias_for(self.config | {"NAME": str(path)}) as alias:
                yield alias
        finally:
            for each in _files_of(path):
                each.unlink(missing_ok=True)

    def problems(self, using: str) -> list[str]:
        with connections[using].cursor() as cursor:
            cursor.execute("PRAGMA integrity_check")
            said = [words for (words,) in cursor.fetchall() if words != "ok"]
            cursor.execute("PRAGMA foreign_key_check")
            return said + [f"{table} {row}: refers to no {of}" for table, row, of, _ in cursor.fetchall()]

    def exists(self) -> bool:
        return self.path.exists()

    def refuse_if_in_use(self) -> None:
        if self.exists():
            self._into_one_file()

    def restore_beside(self, dump: Path) -> "SQLite":
        beside = self.path.with_name(f"{self.name}.restoring-{uuid4().hex[:8]}")
        copy_whole(dump, beside)
        return SQLite(self.config | {"NAME": str(beside)})

    def take_place_of(self, old: Engine, aside: str) -> "SQLite | None":
        target, kept = Path(old.config["NAME"]), None
        try:
            # Whoever looked at it meanwhile left nothing beside it.
            self._into_one_file()
            if target.exists():
                old.refuse_if_in_use()
                kept = target.with_name(f"{target.name}.{aside}")
                _second_name(target, kept)
            self.path.replace(target)
        except BaseException:
            self.drop()
            raise
        flush_path(target.parent)
        return SQLite(old.config | {"NAME": str(kept)}) if kept else None

    def drop(self) -> None:
        for path in _files_of(self.path):
            path.unlink(missing_ok=True)

    def _into_one_file(self) -> None:
        """Leave WAL mode, which SQLite lets nobody do while another has the file open."""
        try:
            with closing(sqlite3.connect(self.path, timeout=0.5)) as database:
                (mode,) = database.execute("PRAGMA journal_mode=DELETE").fetchone()
        except sqlite3.OperationalError as error:
            if "locked" not in str(error):
                raise
            mode = "wal"
        if mode != "delete":
            raise BackupRefused(IN_USE.format(name=self.path))


def _second_name(path: Path, name: Path) -> None:
    """Let a file stand under another name too; as a copy where the file system knows no second names."""
    try:
        os.link(path, name)
    except FileExistsError:
        raise
    except OSError:
        copy_whole(path, name)


def _files_of(path: Path) -> list[Path]:
    return [path.with_name(path.name + end) for end in ("", "-wal", "-shm", "-journal")]


def _count_and_digest(using: str, table: str) -> tuple[int, str]:
    """Rows of a table and the SHA-256 over every value of them, in their order in the file."""
    connection = connections[using]
    quote = connection.ops.quote_name
    digest, rows = hashlib.sha256(), 0
    with connection.cursor() as cursor:
        cursor.execute("SELECT name FROM pragma_table_xinfo(%s) ORDER BY cid", [table])
        columns = [name for (name,) in cursor.fetchall()]
        # As SQL writes each value: its type too, and no converter of Python's in between.
        values = " || ',' || ".join(f"quote({quote(name)})" for name in columns)
        cursor.execute(f"SELECT {values} FROM {quote(table)} ORDER BY rowid")  # noqa: S608 - its own names
        while chunk := cursor.fetchmany(1000):
            rows += len(chunk)
            for (row,) in chunk:
                digest.update(row.encode() + b"\n")
    return rows, digest.hexdigest()


def _rules(using: str) -> list[str]:
    """What the file's schema says, table by table and rule by rule."""
    with connections[using].cursor() as cursor:
        cursor.execute("SELECT type, name, coalesce(sql, '') FROM sqlite_master")
        found = cursor.fetchall()
    return sorted(
        f"{kind} {name} {hashlib.sha256(sql.encode()).hexdigest()[:12]}" for kind, name, sql in found
    )
