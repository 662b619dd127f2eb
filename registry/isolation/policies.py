"""The rules put into PostgreSQL: functions, views and row-level policies, anew after every migrate.

Between the two signals of a migration a table has no policy, and shows no row at all to the application's
role.
"""

import hashlib
from collections.abc import Iterable, Iterator
from typing import Any

from django.db import connections

from registry.isolation.rules import our_models, rule_of
from registry.isolation.views import OUR_APPS, views
from registry.models import triggers

READ, WRITE = "rimward_shows", "rimward_takes"
# What shows of a table, as bits by key: worked out anew when the record was written to, or the scope is
# another. The version is that of the statement's own sight of the record, and a session sees no version twice
# with other rows: what a transaction that is rolled back kept is taken back with it. Nothing can be
# kept while a statement is worked on by several processes, so none is: PARALLEL UNSAFE.
SHOWN = """
CREATE OR REPLACE FUNCTION rimward_shown(what text) RETURNS varbit
LANGUAGE plpgsql STABLE PARALLEL UNSAFE SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE state text; kept text; bits varbit;
BEGIN
    SELECT concat_ws('/', coalesce(sum(writes), 0), current_setting('rimward.units', true),
        current_setting('rimward.link', true), current_setting('rimward.invitation', true)) || ':'
        INTO state FROM registry_dataversion;
    kept := current_setting('rimward.kept_' || what, true);
    IF starts_with(kept, state) THEN
        RETURN substr(kept, length(state) + 1)::varbit;
    END IF;
    EXECUTE format($q$
        SELECT coalesce(string_agg(CASE WHEN v.id IS NULL THEN '0' ELSE '1' END, '' ORDER BY n), '')::varbit
        FROM generate_series(1, (SELECT max(id) FROM %1$I)) n
        LEFT JOIN (SELECT DISTINCT id FROM %1$I) v ON v.id = n
        $q$, what) INTO bits;
    PERFORM set_config('rimward.kept_' || what, state || bits::text, false);
    RETURN bits;
END $$"""
_SETTING = "nullif(current_setting('rimward.{0}', true), '')"
FUNCTIONS: dict[str, str] = {
    "rimward_units() RETURNS bigint[]": (
        f"coalesce(string_to_array({_SETTING.format('units')}, ',')::bigint[], ARRAY[]::bigint[])"
    ),
    "rimward_person() RETURNS bigint": f"{_SETTING.format('person')}::bigint",
}


def install(using: str, **_: Any) -> None:
    """Put every rule into a database whose tables are of today, unless the same rules stand there."""
    connection = connections[using]
    if connection.vendor != "postgresql" or not all(
        triggers.is_of_today(connection, app) for app in OUR_APPS
    ):
        return
    statements = list(_statements())
    mark = _mark_of(statements)
    with connection.cursor() as cursor:
        if mark != _mark(cursor):
            _remove(cursor)
            cursor.execute(";\n".join([*statements, f"COMMENT ON VIEW rimward_shared IS '{mark}'"]))


def remove(using: str, **_: Any) -> None:
    """Take the rules out before a migration, which could not change a column that one names."""
    connection = connections[using]
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            _remove(cursor)


def are_in_place(using: str) -> bool:
    """Whether the rules of today stand in the database, on every table."""
    mark = _mark_of(_statements())
    with connections[using].cursor() as cursor:
        cursor.execute("SELECT relname FROM pg_class WHERE relrowsecurity")
        shut = {name for (name,) in cursor.fetchall()}
        return mark == _mark(cursor) and shut >= set(_tables())


def _mark_of(statements: Iterable[str]) -> str:
    """What is kept in the database to tell the same rules from others."""
    return hashlib.sha256("\n".join(statements).encode()).hexdigest()


def _tables() -> Iterator[str]:
    for model in our_models():
        if rule_of(model):
            yield model._meta.db_table


def _statements() -> Iterator[str]:
    for signature, said in FUNCTIONS.items():
        yield f"CREATE OR REPLACE FUNCTION {signature} LANGUAGE sql STABLE PARALLEL SAFE RETURN {said}"
    for name, said in views().items():
        yield f"CREATE VIEW {name} AS {said}"
    yield SHOWN
    for model in our_models():
        rule, table = rule_of(model), model._meta.db_table
        if rule is None:
            continue
        yield f"ALTER TABLE {table} ENABLE ROW LEVEL SECURITY"
        yield f"CREATE POLICY {READ} ON {table} FOR SELECT USING ({rule.read})"
        for verb in ("INSERT", "UPDATE", "DELETE"):
            using = "" if verb == "INSERT" else f" USING ({rule.write})"
            check = "" if verb == "DELETE" else f" WITH CHECK ({rule.write})"
            yield f"CREATE POLICY {WRITE}_{verb.lower()} ON {table} FOR {verb}{using}{check}"


def _mark(cursor: Any) -> str | None:
    cursor.execute("SELECT obj_description(to_regclass('rimward_shared'), 'pg_class')")
    found: str | None = cursor.fetchone()[0]
    return found


def _remove(cursor: Any) -> None:
    cursor.execute("SELECT policyname, tablename FROM pg_policies WHERE policyname ~ '^rimward_'")
    gone = [f"DROP POLICY {policy} ON {table}" for policy, table in cursor.fetchall()]
    cursor.execute("SELECT viewname FROM pg_views WHERE schemaname = 'public' AND viewname ~ '^rimward_'")
    if standing := [name for (name,) in cursor.fetchall()]:
        gone.append(f"DROP VIEW {', '.join(standing)}")
    if gone:
        cursor.execute(";\n".join(gone))
