"""Cross rules, history rules and the count of writes put into the database as triggers, on both engines.

They are installed anew after every migrate: SQLite drops a table's triggers whenever a migration rebuilds it.
"""

from collections.abc import Iterable, Iterator
from typing import Any

from django.db import connections
from django.db.migrations.loader import MigrationLoader

from registry.models.cross_rules import CROSS_RULES, TRUNCATE, CrossRule
from registry.models.governance import DataVersion
from registry.models.history_rules import history_rules, kept_models

# Begins the names of triggers on SQLite; rules are named as the tables they are about.
PREFIX = "rimward_"
TABLES = ("registry_", "outcomes_")
# The trigger and function that count writes.
COUNTING = "registry_counts_writes"
# A rule sees the whole record, whoever writes, and no table that the writer made up for the occasion.
AS_OWNER = "SECURITY DEFINER SET search_path = public, pg_temp"


def install(using: str, **_: Any) -> None:
    """Put every rule of the record into a database whose tables are today's, replacing what stood there."""
    put(using, "registry", (*CROSS_RULES, *history_rules()))
    connection = connections[using]
    if is_of_today(connection, "registry"):
        with connection.cursor() as cursor:
            for statement in _counting(connection.vendor):
                cursor.execute(statement)


def put(using: str, app: str, rules: Iterable[CrossRule]) -> None:
    """Put rules of one app into a database that has every table of it as of today."""
    connection = connections[using]
    if not is_of_today(connection, app):
        return
    statements = _on_postgresql if connection.vendor == "postgresql" else _on_sqlite
    with connection.cursor() as cursor:
        for rule in rules:
            for statement in statements(rule):
                cursor.execute(statement)


def remove(using: str, **_: Any) -> None:
    """Take the rules of every app out before a migration: SQLite cannot rebuild a table that a trigger names.

    On PostgreSQL too, so that no rule of an earlier release stays behind.
    """
    connection = connections[using]
    named = (
        "SELECT tgname, tgrelid::regclass::text FROM pg_trigger WHERE NOT tgisinternal AND tgname ~ %s"
        if connection.vendor == "postgresql"
        else "SELECT name, '' FROM sqlite_master WHERE type = 'trigger' AND name LIKE %s"
    )
    ours = f"^({'|'.join(TABLES)})" if connection.vendor == "postgresql" else f"{PREFIX}%"
    with connection.cursor() as cursor:
        cursor.execute(named, [ours])
        for name, table in cursor.fetchall():
            cursor.execute(f'DROP TRIGGER "{name}"' + (f" ON {table}" if table else ""))


def is_of_today(connection: Any, app: str) -> bool:
    """Whether every migration of an app is applied, and none is being undone."""
    loader = MigrationLoader(connection)
    return set(loader.graph.leaf_nodes(app)) <= set(loader.applied_migrations)


def names_on_sqlite(rule: CrossRule) -> dict[str, str]:
    """The triggers of a rule on SQLite, each with its verb."""
    verbs = () if rule.at_commit else (verb for verb in rule.verbs if verb != TRUNCATE)
    return {f"{PREFIX}{rule.name}_{verb.lower()}": verb for verb in verbs}


def _on_sqlite(rule: CrossRule) -> list[str]:
    return [
        statement
        for name, verb in names_on_sqlite(rule).items()
        for statement in (
            f'DROP TRIGGER IF EXISTS "{name}"',
            f'CREATE TRIGGER "{name}" AFTER {verb} ON {rule.table} FOR EACH ROW '
            f"WHEN {rule.condition} BEGIN SELECT RAISE(ABORT, '{_quoted(rule.message)}'); END",
        )
    ]


def _on_postgresql(rule: CrossRule) -> list[str]:
    # PostgreSQL cuts names at 63 bytes, so a rule's name is its trigger's name without the prefix.
    function = (
        f"CREATE OR REPLACE FUNCTION {rule.name}() RETURNS trigger LANGUAGE plpgsql {AS_OWNER} AS $$ BEGIN "
        f"IF {rule.condition} THEN RAISE EXCEPTION '{_quoted(rule.message)}' "
        f"USING ERRCODE = 'check_violation', CONSTRAINT = '{rule.name}'; END IF; RETURN NULL; END $$"
    )
    each = "STATEMENT" if TRUNCATE in rule.verbs else "ROW"
    constraint, when = ("CONSTRAINT ", "DEFERRABLE INITIALLY DEFERRED ") if rule.at_commit else ("", "")
    return [
        function,
        f"DROP TRIGGER IF EXISTS {rule.name} ON {rule.table}",
        f"CREATE {constraint}TRIGGER {rule.name} AFTER {' OR '.join(rule.verbs)} ON {rule.table} "
        f"{when}FOR EACH {each} EXECUTE FUNCTION {rule.name}()",
    ]


def _counting(vendor: str) -> Iterator[str]:
    """Count every write to a table of the record, in the transaction that writes."""
    versions = DataVersion._meta.db_table
    upsert = (
        f"INSERT INTO {versions} (writer, writes) VALUES ({{writer}}, 1) "  # noqa: S608 - our own table
        f"ON CONFLICT (writer) DO UPDATE SET writes = {versions}.writes + 1;"
    )
    if vendor == "postgresql":
        yield (
            f"CREATE OR REPLACE FUNCTION {COUNTING}() RETURNS trigger LANGUAGE plpgsql {AS_OWNER} AS $$ "
            f"BEGIN {upsert.format(writer='pg_backend_pid()')} RETURN NULL; END $$"
        )
    for model in kept_models():
        table = model._meta.db_table
        if vendor == "postgresql":
            yield f"DROP TRIGGER IF EXISTS {COUNTING} ON {table}"
            yield (
                f"CREATE TRIGGER {COUNTING} AFTER INSERT OR UPDATE OR DELETE ON {table} "
                f"FOR EACH STATEMENT EXECUTE FUNCTION {COUNTING}()"
            )
            continue
        for verb in ("INSERT", "UPDATE", "DELETE"):
            name = f"{PREFIX}{table}_counts_{verb.lower()}"
            yield f'DROP TRIGGER IF EXISTS "{name}"'
            yield (
                f'CREATE TRIGGER "{name}" AFTER {verb} ON {table} FOR EACH ROW BEGIN '
                f"{upsert.format(writer=0)} END"
            )


def _quoted(text: str) -> str:
    return text.replace("'", "''")
