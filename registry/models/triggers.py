"""Cross rules and history rules put into the database as triggers, on both engines.

They are installed anew after every migrate: SQLite drops a table's triggers whenever a migration rebuilds it.
"""

from typing import Any

from django.db import connections

from registry.models.cross_rules import CROSS_RULES, CrossRule
from registry.models.history_rules import history_rules

PREFIX = "rimward_"


def install(using: str, **_: Any) -> None:
    """Put every rule into the database, replacing what stood there."""
    connection = connections[using]
    statements = _on_postgresql if connection.vendor == "postgresql" else _on_sqlite
    with connection.cursor() as cursor:
        present = set(connection.introspection.table_names(cursor))
        for rule in (*CROSS_RULES, *history_rules()):
            if rule.table in present:
                for statement in statements(rule):
                    cursor.execute(statement)


def remove(using: str, **_: Any) -> None:
    """Take the rules out before a migration: SQLite cannot rebuild a table that a trigger names."""
    connection = connections[using]
    if connection.vendor != "sqlite":
        return
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger' AND name LIKE %s", [PREFIX + "%"]
        )
        for (name,) in cursor.fetchall():
            cursor.execute(f'DROP TRIGGER "{name}"')


def _on_sqlite(rule: CrossRule) -> list[str]:
    name = PREFIX + rule.name
    return [
        statement
        for verb in rule.verbs
        for statement in (
            f'DROP TRIGGER IF EXISTS "{name}_{verb.lower()}"',
            f'CREATE TRIGGER "{name}_{verb.lower()}" AFTER {verb} ON {rule.table} FOR EACH ROW '
            f"WHEN {rule.condition} BEGIN SELECT RAISE(ABORT, '{_quoted(rule.message)}'); END",
        )
    ]


def _on_postgresql(rule: CrossRule) -> list[str]:
    # PostgreSQL cuts names at 63 bytes, so a rule's name is its trigger's name without the prefix.
    function = (
        f"CREATE OR REPLACE FUNCTION {rule.name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"IF {rule.condition} THEN RAISE EXCEPTION '{_quoted(rule.message)}' "
        f"USING ERRCODE = 'check_violation', CONSTRAINT = '{rule.name}'; END IF; RETURN NULL; END $$"
    )
    return [
        function,
        f"DROP TRIGGER IF EXISTS {rule.name} ON {rule.table}",
        f"CREATE TRIGGER {rule.name} AFTER {' OR '.join(rule.verbs)} ON {rule.table} "
        f"FOR EACH ROW EXECUTE FUNCTION {rule.name}()",
    ]


def _quoted(text: str) -> str:
    return text.replace("'", "''")
