# ruff: noqa: S608 - names of tables of the models
"""What the application's role may do: no more than it was given, and that no more than it needs."""

import json
from collections.abc import Callable

import psycopg
import pytest
from django.apps import apps
from django.core.management import CommandError, call_command
from django.db import models

from registry.isolation.grants import ADD, CHANGE, DELETE, grants
from registry.isolation.rules import NoRuleError, rule_of
from registry.models import Kept, User
from tests.registry.isolation.conftest import House

postgresql = pytest.mark.postgresql
RECORD = [
    model._meta.db_table for model in apps.get_app_config("registry").get_models() if issubclass(model, Kept)
]
ONLY_ADDED_TO = [
    "registry_correction",
    "registry_identityview",
    "registry_lotlookup",
    "registry_opening",
    "registry_accountevent",
    "outcomes_ledgerentry",
    "outcomes_briefing",
]


@postgresql
@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TABLE own (id int)",
        "CREATE TEMPORARY TABLE registry_correction (id int)",
        "ALTER TABLE registry_visit ADD COLUMN x int",
        "ALTER TABLE registry_visit DISABLE ROW LEVEL SECURITY",
        "ALTER TABLE registry_visit DISABLE TRIGGER ALL",
        "ALTER TABLE registry_visit DISABLE TRIGGER registry_visit_keeps_history",
        "DROP TRIGGER registry_visit_keeps_history ON registry_visit",
        "DROP POLICY rimward_shows ON registry_visit",
        "DROP TABLE registry_draft",
        "DROP VIEW rimward_shared",
        "TRUNCATE registry_draft",
        "CREATE OR REPLACE FUNCTION rimward_person() RETURNS bigint LANGUAGE sql AS 'SELECT 1'",
        "SET session_replication_role = replica",
        "CREATE ROLE another",
        "ALTER ROLE rimward_app BYPASSRLS",
        "UPDATE registry_correction SET reason = 'another'",
        "UPDATE registry_erasure SET reason = 'another'",
        "UPDATE registry_dataversion SET writes = 0",
        "UPDATE registry_wording SET text = ''",
        "INSERT INTO django_migrations (app, name, applied) VALUES ('registry', 'x', now())",
        *(f"DELETE FROM {table}" for table in RECORD),
        *(f"UPDATE {table} SET id = id" for table in ONLY_ADDED_TO),
        *(f"DELETE FROM {table}" for table in ONLY_ADDED_TO),
        *(f"TRUNCATE {table}" for table in ("registry_patient", "outcomes_ledgerentry")),
    ],
)
def test_the_application_may_not(statement: str, refused: Callable[..., None]) -> None:
    refused(statement)


@postgresql
def test_the_role_is_nobody_special(house: House) -> None:
    with psycopg.connect(house.owner) as owner:
        found = owner.execute(
            "SELECT rolsuper, rolbypassrls, rolcreatedb, rolcreaterole, rolinherit FROM pg_roles "
            "WHERE rolname IN ('rimward_app', 'rimward_app_erasing')"
        ).fetchall()
        owned = owner.execute(
            "SELECT count(*) FROM pg_class WHERE relowner = 'rimward_app'::regrole"
        ).fetchone()
    assert found == [(False,) * 5] * 2
    assert owned == (0,)


@postgresql
def test_every_session_has_its_limits(house: House) -> None:
    """A statement that lasts too long is ended by the database (SQLSTATE 57014, query_canceled)."""
    with house.session() as session:
        limits = [
            session.execute(f"SHOW {name}").fetchone()
            for name in ("statement_timeout", "lock_timeout", "idle_in_transaction_session_timeout")
        ]
        assert limits == [("1min",), ("15s",), ("1min",)]
        session.execute("SET statement_timeout = '50ms'")
        with pytest.raises(psycopg.errors.QueryCanceled):
            session.execute("SELECT pg_sleep(5)")


@postgresql
def test_only_the_role_of_erasing_takes_rows_away_and_only_while_an_erasure_is_in_hand(house: House) -> None:
    with house.session("northmere") as session:
        session.execute('SET LOCAL ROLE "rimward_app_erasing"')
        with pytest.raises(psycopg.errors.CheckViolation, match="nothing of the record is deleted"):
            session.execute("DELETE FROM registry_suturepass")


@postgresql
def test_the_command_finds_what_is_otherwise_and_mends_it(house: House) -> None:
    """Broken by hand in each way that it looks for."""
    assert wrong(house, "--check") == []
    with psycopg.connect(house.owner, autocommit=True) as owner:
        for statement in (
            "GRANT DELETE ON registry_visit TO rimward_app",
            "GRANT UPDATE (reason) ON registry_correction TO rimward_app",
            "REVOKE INSERT ON registry_contact FROM rimward_app",
            "ALTER ROLE rimward_app SET statement_timeout = 0",
            "ALTER ROLE rimward_app CREATEDB",
            "ALTER TABLE registry_identity DISABLE ROW LEVEL SECURITY",
            "GRANT CREATE ON SCHEMA public TO PUBLIC",
        ):
            owner.execute(statement)
    found = wrong(house, "--check")
    assert len(found) == 7, found
    with psycopg.connect(house.owner, autocommit=True) as owner:
        # Policies come with a migration, not with roles.
        owner.execute("ALTER TABLE registry_identity ENABLE ROW LEVEL SECURITY")
    assert wrong(house) == []


def wrong(house: House, *options: str) -> list[str]:
    said = json.loads(house.program("tests.registry.isolation.roles_told", house.owner, *options))
    found: list[str] = said["differences"]
    return found


def test_every_model_has_a_rule_and_rights() -> None:
    """A new model is refused until somebody says whose its rows are and what may be done with them."""
    tables = {grant.table for grant in grants()}
    assert tables >= {model._meta.db_table for model in apps.get_models(include_auto_created=True)}

    class Forgotten(models.Model):
        class Meta:
            app_label = "forgotten"

        def __str__(self) -> str:
            return ""

    with pytest.raises(NoRuleError):
        rule_of(Forgotten)


def test_the_record_is_never_deleted_from_and_logs_are_never_changed() -> None:
    held = {grant.table: grant.verbs for grant in grants()}
    assert [table for table in RECORD if DELETE in held[table]] == []
    assert [table for table in ONLY_ADDED_TO if held[table] != ("SELECT", ADD)] == []
    assert CHANGE not in held["outcomes_cohortversion"]
    assert DELETE not in held[User._meta.db_table]


@pytest.mark.any_engine
def test_sqlite_knows_no_roles(db: None) -> None:
    with pytest.raises(CommandError, match="SQLite knows no roles"):
        call_command("roles")
