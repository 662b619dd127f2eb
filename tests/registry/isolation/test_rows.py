# ruff: noqa: S608 - names of tables of the models
"""Raw SQL as the application's role: what a unit's scope shows of the other, in every table of both apps."""

from collections.abc import Callable

import psycopg
import pytest

from registry.isolation.rules import OPEN, our_models, rule_of
from tests.registry.isolation.conftest import House, Session, tell
from tests.servers import SAID_AT_THE_END

pytestmark = pytest.mark.postgresql
NORTH, SOUTH = "northmere", "southmere"
RULED = [model._meta.db_table for model in our_models() if rule_of(model)]
OPEN_TO_ALL = [model._meta.db_table for model in our_models() if not rule_of(model)]


def keys(session: Session, table: str) -> set[str]:
    return {str(key) for (key,) in session.execute(f"SELECT id FROM {table}").fetchall()}


@pytest.mark.parametrize(("unit", "other"), [(NORTH, SOUTH), (SOUTH, NORTH)])
def test_a_unit_reads_all_of_its_own_and_nothing_of_the_other(
    house: House, unit: str, other: str, record_property: Callable[[str, str], None]
) -> None:
    own, others = house.units[unit]["rows"], house.units[other]["rows"]
    # Of each table both units have a row, or nothing would be shown here.
    assert [table for table in RULED if not (own.get(table) and others.get(table))] == []
    with house.session(unit) as session:
        seen = {table: keys(session, table) for table in RULED}
    # A coordinator named the cohort, asked for a release ...: drafts and the like are one's own, so the
    # surgeon's.
    assert {table: seen[table] ^ set(own[table]) for table in RULED if seen[table] != set(own[table])} == {}
    assert not any(seen[table] & set(others[table]) for table in RULED)
    read, hidden = (sum(map(len, rows.values())) for rows in (own, others))
    record_property(
        SAID_AT_THE_END,
        f"{unit}: {len(RULED)} tables with policies, {read} own rows read, 0 of {hidden} rows of {other}; "
        f"{len(OPEN_TO_ALL)} tables open to all",
    )


def test_no_statement_is_worked_on_by_several_processes(house: House) -> None:
    """On large tables PostgreSQL would, and then refuses to keep in the session what shows (25000)."""
    with house.session(NORTH) as session:
        for name in ("parallel_setup_cost", "parallel_tuple_cost", "min_parallel_table_scan_size"):
            session.execute(f"SET {name} = 0")
        (plan,) = session.execute("EXPLAIN (COSTS OFF) SELECT count(*) FROM registry_user").fetchall()[0]
        assert "Gather" in str(plan) or "Finalize" in str(plan), "where nothing is kept, it does"
        for table in RULED:
            assert keys(session, table) == set(house.units[NORTH]["rows"][table]), table
            counted = session.execute(f"SELECT count(*) FROM {table}").fetchone()
            assert counted == (len(house.units[NORTH]["rows"][table]),), table


def test_without_a_scope_no_row_shows(house: House) -> None:
    with house.session() as session:
        assert {table: rows for table in RULED if (rows := keys(session, table))} == {}


def test_what_is_open_to_all_says_why() -> None:
    labels = {model._meta.label for model in our_models() if not rule_of(model)}
    assert labels == set(OPEN)
    assert all(OPEN.values())


@pytest.mark.parametrize("table", RULED)
def test_no_row_of_the_other_unit_is_changed_or_deleted(house: House, table: str) -> None:
    """Either the role may not at all, or it touches no row."""
    row = house.units[SOUTH]["rows"][table][0]
    for statement in (
        f"UPDATE {table} SET id = id WHERE id = {row}",
        f"DELETE FROM {table} WHERE id = {row}",
    ):
        with house.session(NORTH) as session:
            try:
                assert session.execute(statement).rowcount == 0
            except psycopg.errors.InsufficientPrivilege:
                continue


# A new surgeon works nowhere until a unit is added, which is a row of a table of its own.
@pytest.mark.parametrize("table", [table for table in RULED if table != "registry_surgeon"])
def test_no_row_is_put_into_the_other_unit(house: House, table: str) -> None:
    """A copy of a row of the other unit, as the owner reads it, is refused: by right, or by policy."""
    row = house.units[SOUTH]["rows"][table][0]
    with psycopg.connect(house.owner) as owner:
        cursor = owner.execute(f"SELECT * FROM {table} WHERE id = %s", [row])
        columns = [each.name for each in cursor.description or ()]
        copy = owner.execute(f"SELECT row_to_json(t)::text FROM {table} t WHERE id = %s", [row]).fetchone()
    assert copy
    named = ", ".join(column for column in columns if column != "id")
    statement = (
        f"INSERT INTO {table} ({named}) SELECT {named} FROM json_populate_record(null::{table}, %s::json)"
    )
    refused = pytest.raises(
        psycopg.errors.InsufficientPrivilege, match=r"row-level security|permission denied"
    )
    with house.session(NORTH) as session, refused:
        session.execute(statement, [copy[0]])


def test_an_operation_of_ones_own_cannot_be_put_on_anothers_knee(house: House) -> None:
    """Else a unit could make any patient its own."""
    knee = house.units[SOUTH]["rows"]["registry_knee"][0]
    operation = house.units[NORTH]["rows"]["registry_indexprocedure"][0]
    with house.session(NORTH) as session, pytest.raises(psycopg.errors.InsufficientPrivilege):
        session.execute(f"UPDATE registry_indexprocedure SET knee_id = {knee} WHERE id = {operation}")


def test_a_patient_operated_on_here_shows_whole_though_another_units(house: House) -> None:
    """As registry.access has it: by the operation, and with it all that followed on that patient."""
    knee = house.units[SOUTH]["rows"]["registry_knee"][0]
    with psycopg.connect(house.owner) as owner:
        owner.execute("SET session_replication_role = replica")
        owner.execute(
            "UPDATE registry_indexprocedure SET unit_id = %s WHERE knee_id = %s",
            [house.units[NORTH]["unit"], knee],
        )
        owner.execute("SET session_replication_role = origin")
        owner.execute('SET LOCAL ROLE "rimward_app"')
        tell(owner, units=house.units[NORTH]["unit"])
        for table in ("registry_patient", "registry_visit", "registry_suturepass", "registry_unit"):
            assert keys(owner, table) >= set(house.units[SOUTH]["rows"][table]), table
        assert not keys(owner, "registry_intake") & set(house.units[SOUTH]["rows"]["registry_intake"])
        owner.rollback()


def test_a_link_shows_its_own_patient_alone(house: House) -> None:
    link = house.units[NORTH]["rows"]["registry_patientlink"][0]
    with psycopg.connect(house.owner) as owner:
        uuid = owner.execute("SELECT uuid FROM registry_patientlink WHERE id = %s", [link]).fetchone()
    assert uuid
    with house.session() as session:
        tell(session, link=uuid[0])
        for table in ("registry_patient", "registry_knee", "registry_patientlink", "registry_unit"):
            assert keys(session, table) == set(house.units[NORTH]["rows"][table])
        assert keys(session, "registry_intake") == set()
        assert keys(session, "registry_membership") == set()
