"""PostgreSQL: pg_dump of the snapshot that a connection holds, put back by pg_restore into a new database."""

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg
from django.db import connections
from psycopg import sql

from registry.backup.engines import programs
from registry.backup.engines.aliases import alias_for
from registry.backup.engines.engine import Engine
from registry.backup.engines.tables import migrations_in, tables_in
from registry.backup.manifest import Facts
from registry.backup.refusals import BackupRefused

# PostgreSQL cuts longer names.
LONGEST_NAME = 63
IN_USE = (
    "{count} other connections have {name} open, so what they write meanwhile would be lost. Stop the site "
    "and every command that works on it, then restore again. Nothing was touched."
)
MAY_NOT_CREATE = (
    "{user} may not create a database on this server ({words}), which the check needs. Let it (ALTER ROLE "
    "{user} CREATEDB), use a role that may, or leave the check out with --no-check."
)
RENAME_YOURSELF = (
    "{new} holds the restored record, verified, but could not be renamed ({words}). With the site stopped, "
    'as a role that may: ALTER DATABASE "{old}" RENAME TO "{aside}"; ALTER DATABASE "{new}" RENAME TO '
    '"{old}";'
)
_NO_LIMITS = ("statement_timeout", "idle_in_transaction_session_timeout", "lock_timeout")
_RULES = """
SELECT 'trigger ' || tgrelid::regclass || ' ' || tgname || ' ' || tgenabled::text FROM pg_trigger
  WHERE NOT tgisinternal
UNION ALL SELECT 'constraint ' || conrelid::regclass || ' ' || conname || ' ' || convalidated::text
  FROM pg_constraint WHERE connamespace = 'public'::regnamespace AND conrelid <> 0
UNION ALL SELECT 'index ' || indexname FROM pg_indexes WHERE schemaname = 'public'
UNION ALL SELECT 'policy ' || tablename || ' ' || policyname FROM pg_policies WHERE schemaname = 'public'
UNION ALL SELECT 'row security ' || relname || ' ' || relforcerowsecurity FROM pg_class
  WHERE relrowsecurity AND relnamespace = 'public'::regnamespace
UNION ALL SELECT 'function ' || proname || ' ' || encode(sha256(convert_to(prosrc, 'UTF8')), 'hex')
  FROM pg_proc WHERE pronamespace = 'public'::regnamespace
"""


class PostgreSQL(Engine):
    """A database of a server."""

    vendor = "postgresql"

    @property
    def name(self) -> str:
        return str(self.config["NAME"])

    def version(self, using: str) -> str:
        return str(connections[using].cursor().connection.info.parameter_status("server_version"))

    @contextmanager
    def snapshot(self) -> Iterator[str]:
        with alias_for(self.config) as alias, connections[alias].cursor() as cursor:
            cursor.execute("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
            for limit in _NO_LIMITS:
                cursor.execute(f"SET LOCAL {limit} = 0")
            # Rows that a policy would hide are an error here, not a gap in the backup.
            cursor.execute("SET LOCAL row_security = off")
            yield alias
            cursor.execute("ROLLBACK")

    def dump(self, using: str, into: Path) -> None:
        with connections[using].cursor() as cursor:
            cursor.execute("SELECT pg_export_snapshot()")
            (exported,) = cursor.fetchone()
            programs.refuse_older("pg_dump", cursor.connection.info.server_version)
        # Uncompressed: the whole backup is compressed afterwards.
        programs.run(
            "pg_dump", "--format=custom", "--compress=0", "--no-owner", f"--snapshot={exported}",
            f"--file={into}", f"--dbname={programs.address(self.config)}", config=self.config,
        )  # fmt: skip

    def facts(self, using: str) -> Facts:
        rows, digests = {}, {}
        with connections[using].cursor() as cursor:
            for table in tables_in(using):
                rows[table], digests[table] = _count_and_digest(cursor, table)
            cursor.execute(_RULES)
            rules = sorted(name for (name,) in cursor.fetchall())
        return Facts(rows, digests, rules, migrations_in(using))

    @contextmanager
    def scratch(self, dump: Path) -> Iterator[str]:
        scratch = self._named(f"rimward_check_{uuid4().hex[:8]}")
        try:
            scratch.create()
        except psycopg.Error as error:
            words = {"user": self.config["USER"] or "This role", "words": str(error).strip()}
            raise BackupRefused(MAY_NOT_CREATE.format(**words)) from error
        try:
            scratch.fill(dump)
            with alias_for(scratch.config) as alias:
                yield alias
        finally:
            scratch.drop()

    def problems(self, using: str) -> list[str]:
        # pg_restore puts constraints on after the rows, and the server judges every row then.
        with connections[using].cursor() as cursor:
            cursor.execute(
                "SELECT conrelid::regclass || ': ' || conname || ' was never judged' FROM pg_constraint "
                "WHERE NOT convalidated"
            )
            return [words for (words,) in cursor.fetchall()]

    def exists(self) -> bool:
        with self._server() as server:
            asked = "SELECT 1 FROM pg_database WHERE datname = %s"
            return server.execute(asked, [self.name]).fetchone() is not None

    def refuse_if_in_use(self) -> None:
        with self._server() as server:
            asked = (
                "SELECT count(*) FROM pg_stat_activity WHERE datname = %s "
                "AND backend_type = 'client backend' AND pid <> pg_backend_pid()"
            )
            (count,) = server.execute(asked, [self.name]).fetchone() or (0,)
        if count:
            raise BackupRefused(IN_USE.format(count=count, name=self.name))

    def restore_beside(self, dump: Path) -> "PostgreSQL":
        beside = self._named(self._fitting(f"_restoring_{uuid4().hex[:8]}"))
        beside.create()
        try:
            beside.fill(dump)
        except BaseException:
            beside.drop()
            raise
        return beside

    def take_place_of(self, old: Engine, aside: str) -> "PostgreSQL | None":
        assert isinstance(old, PostgreSQL)  # noqa: S101 - of one engine
        kept = old._named(old._fitting(f"_{aside}".replace("-", "_").lower())) if old.exists() else None
        rename = sql.SQL("ALTER DATABASE {} RENAME TO {}")
        try:
            # Both names change in one transaction.
            with self._server() as server, server.transaction():
                if kept:
                    server.execute(rename.format(sql.Identifier(old.name), sql.Identifier(kept.name)))
                server.execute(rename.format(sql.Identifier(self.name), sql.Identifier(old.name)))
        except psycopg.Error as error:
            names = {"new": self.name, "old": old.name, "aside": kept.name if kept else "-"}
            raise BackupRefused(RENAME_YOURSELF.format(**names, words=str(error).strip())) from error
        return kept

    def create(self) -> None:
        """Make the database, empty."""
        with self._server() as server:
            server.execute(sql.SQL("CREATE DATABASE {} TEMPLATE template0").format(sql.Identifier(self.name)))

    def fill(self, dump: Path) -> None:
        """Put a dump into the database, all of it or nothing; rights of roles are given anew by 'roles'."""
        programs.run(
            "pg_restore", "--single-transaction", "--exit-on-error", "--no-owner", "--no-privileges",
            f"--dbname={programs.address(self.config)}", str(dump), config=self.config,
        )  # fmt: skip
        with alias_for(self.config) as alias, connections[alias].cursor() as cursor:
            cursor.execute("ANALYZE")

    def drop(self) -> None:
        with self._server() as server:
            server.execute(sql.SQL("DROP DATABASE IF EXISTS {}").format(sql.Identifier(self.name)))

    def _named(self, name: str) -> "PostgreSQL":
        return PostgreSQL(self.config | {"NAME": name})

    def _fitting(self, ending: str) -> str:
        return self.name[: LONGEST_NAME - len(ending)] + ending

    @contextmanager
    def _server(self) -> Iterator[psycopg.Connection[Any]]:
        """A connection to the same server, but to no database that is about to be renamed or dropped."""
        with psycopg.connect(programs.address(self.config | {"NAME": "postgres"}, secret=True)) as server:
            server.autocommit = True
            yield server


def _count_and_digest(cursor: Any, table: str) -> tuple[int, str]:
    """Rows of a table and the SHA-256 over them as COPY writes them, in an order that no server changes."""
    digest, count = hashlib.sha256(), 0
    copying = sql.SQL('COPY (SELECT t.* FROM {} t ORDER BY t::text COLLATE "C") TO STDOUT')
    with cursor.copy(copying.format(sql.Identifier(table))) as copy:
        for row in copy:
            digest.update(row)
            count += 1
    return count, digest.hexdigest()
