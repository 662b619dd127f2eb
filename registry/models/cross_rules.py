"""Rules that span tables, held by the database itself through triggers, on both engines.

Each rule says when a row being written is wrong. They are declared here beside the models and installed anew
after every migrate (SQLite drops a table's triggers whenever a migration rebuilds it).
"""

from dataclasses import dataclass
from typing import Any

from django.db import connections

PREFIX = "rimward_"


@dataclass(frozen=True, slots=True)
class CrossRule:
    """`wrong` is SQL over NEW, the row being written to `table`; true means refuse with `message`."""

    name: str
    table: str
    wrong: str
    message: str


@dataclass(frozen=True, slots=True)
class _Event:
    table: str
    date: str


@dataclass(frozen=True, slots=True)
class _Finding:
    table: str
    event: _Event
    key: str


_VISIT = _Event("registry_visit", "seen_on")
_IMAGING = _Event("registry_imaging", "imaged_on")
_LOOK = _Event("registry_secondlook", "looked_on")
_REOPERATION = _Event("registry_reoperation", "operated_on")
_COMPLICATION = _Event("registry_complication", "noticed_on")
_CONTACT = _Event("registry_contact", "contacted_on")
_EVENTS = (_VISIT, _IMAGING, _LOOK, _REOPERATION, _COMPLICATION, _CONTACT)
_FINDINGS = (
    _Finding("registry_imagingfinding", _IMAGING, "imaging_id"),
    _Finding("registry_secondlookfinding", _LOOK, "look_id"),
    _Finding("registry_reoperationontear", _REOPERATION, "reoperation_id"),
)

_REPAIRED = "('repaired', 'part_repaired')"
_TEAR_ON = (
    "SELECT 1 FROM registry_tear t JOIN registry_indexprocedure p ON p.id = t.procedure_id WHERE t.id = {tear}"
)


def _event_rules(event: _Event) -> list[CrossRule]:
    """An event falls between the knee's first operation and the patient's death."""
    operated = f"SELECT 1 FROM registry_indexprocedure p WHERE p.knee_id = NEW.knee_id AND p.operated_on <= NEW.{event.date}"
    dead = (
        "SELECT 1 FROM registry_knee k JOIN registry_patient a ON a.id = k.patient_id "
        f"WHERE k.id = NEW.knee_id AND a.died_on < NEW.{event.date}"
    )
    return [
        CrossRule(f"{event.table}_after_operation", event.table, f"NOT EXISTS ({operated})", f"{event.date} lies before the first operation on this knee"),
        CrossRule(f"{event.table}_before_death", event.table, f"EXISTS ({dead})", f"{event.date} lies after the patient's death"),
    ]


def _finding_rules(finding: _Finding) -> list[CrossRule]:
    """A finding is of a tear of the event's knee, operated on no later; also when the event's date moves."""
    event = finding.event
    tear = _TEAR_ON.format(tear="NEW.tear_id")
    right = f"{tear} AND EXISTS (SELECT 1 FROM {event.table} e WHERE e.id = NEW.{finding.key} AND e.knee_id = p.knee_id AND e.{event.date} >= p.operated_on)"
    moved = (
        f"SELECT 1 FROM {finding.table} f JOIN registry_tear t ON t.id = f.tear_id "
        "JOIN registry_indexprocedure p ON p.id = t.procedure_id "
        f"WHERE f.{finding.key} = NEW.id AND (p.operated_on > NEW.{event.date} OR p.knee_id <> NEW.knee_id)"
    )
    message = f"{event.date} lies before the operation on the tear, or the tear is of another knee"
    return [
        CrossRule(f"{finding.table}_after_repair", finding.table, f"NOT EXISTS ({right})", message),
        CrossRule(f"{event.table}_not_before_its_tears", event.table, f"EXISTS ({moved})", message),
    ]


def _procedure_rules() -> list[CrossRule]:
    """Moving an operation to a later day, or to another knee, may not leave what followed it stranded."""
    table = "registry_indexprocedure"
    earliest = (
        "SELECT 1 FROM registry_indexprocedure q WHERE q.knee_id = NEW.knee_id AND q.id <> NEW.id "
        "AND q.operated_on <= e.{date}"
    )
    rules = [
        CrossRule(
            f"{table}_not_after_{event.table}",
            table,
            f"EXISTS (SELECT 1 FROM {event.table} e WHERE e.knee_id = NEW.knee_id AND e.{event.date} < NEW.operated_on "
            f"AND NOT EXISTS ({earliest.format(date=event.date)}))",
            f"operated_on lies after a {event.date} of this knee",
        )
        for event in _EVENTS
    ]
    rules += [
        CrossRule(
            f"{table}_not_after_{finding.table}",
            table,
            f"EXISTS (SELECT 1 FROM {finding.table} f JOIN registry_tear t ON t.id = f.tear_id "
            f"JOIN {finding.event.table} e ON e.id = f.{finding.key} "
            f"WHERE t.procedure_id = NEW.id AND (e.{finding.event.date} < NEW.operated_on OR e.knee_id <> NEW.knee_id))",
            f"operated_on lies after a {finding.event.date} that concerns one of its tears",
        )
        for finding in _FINDINGS
    ]
    life = (
        "SELECT 1 FROM registry_knee k JOIN registry_patient a ON a.id = k.patient_id WHERE k.id = NEW.knee_id "
        "AND (a.born_on > NEW.operated_on OR a.died_on < NEW.operated_on)"
    )
    return [*rules, CrossRule(f"{table}_within_life", table, f"EXISTS ({life})", "operated_on lies outside the patient's life")]


def _patient_rules() -> list[CrossRule]:
    """A death may not be dated before a live contact."""
    dates = {event.table: event.date for event in _EVENTS} | {"registry_indexprocedure": "operated_on"}
    return [
        CrossRule(
            f"registry_patient_alive_at_{table}",
            "registry_patient",
            f"EXISTS (SELECT 1 FROM {table} e JOIN registry_knee k ON k.id = e.knee_id "
            f"WHERE k.patient_id = NEW.id AND e.{date} > NEW.died_on)",
            f"died_on lies before a {date} of this patient",
        )
        for table, date in dates.items()
    ]


def _repair_rules() -> list[CrossRule]:
    treated = f"SELECT 1 FROM registry_tear t WHERE t.id = NEW.tear_id AND t.treatment IN {_REPAIRED}"
    still = "SELECT 1 FROM registry_repair r WHERE r.tear_id = NEW.id"
    revised = (
        "SELECT 1 FROM registry_tear t JOIN registry_indexprocedure p ON p.id = t.procedure_id "
        "JOIN registry_indexprocedure q ON q.id = NEW.procedure_id WHERE t.id = NEW.revises_id "
        "AND t.id <> NEW.id AND p.knee_id = q.knee_id AND p.operated_on <= q.operated_on"
    )
    return [
        CrossRule("registry_repair_of_repaired_tear", "registry_repair", f"NOT EXISTS ({treated})", "only a tear marked repaired or part repaired has a repair"),
        CrossRule("registry_tear_keeps_treatment", "registry_tear", f"NEW.treatment NOT IN {_REPAIRED} AND EXISTS ({still})", "a tear with a repair stays marked repaired or part repaired"),
        CrossRule("registry_tear_revises_earlier", "registry_tear", f"NEW.revises_id IS NOT NULL AND NOT EXISTS ({revised})", "a revision is of an earlier tear of the same knee"),
    ]


CROSS_RULES: tuple[CrossRule, ...] = (
    *(rule for event in _EVENTS for rule in _event_rules(event)),
    *(rule for finding in _FINDINGS for rule in _finding_rules(finding)),
    *_procedure_rules(),
    *_patient_rules(),
    *_repair_rules(),
)


def install(using: str, **_: Any) -> None:
    """Put every rule into the database, replacing what stood there."""
    connection = connections[using]
    statements = _POSTGRESQL if connection.vendor == "postgresql" else _SQLITE
    with connection.cursor() as cursor:
        present = set(connection.introspection.table_names(cursor))
        for rule in CROSS_RULES:
            if rule.table in present:
                for statement in statements(rule):
                    cursor.execute(statement)


def remove(using: str, **_: Any) -> None:
    """Take the rules out before a migration: SQLite cannot rebuild a table that a trigger names."""
    connection = connections[using]
    if connection.vendor != "sqlite":
        return
    with connection.cursor() as cursor:
        cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' AND name LIKE %s", [PREFIX + "%"])
        for (name,) in cursor.fetchall():
            cursor.execute(f'DROP TRIGGER "{name}"')


def _SQLITE(rule: CrossRule) -> list[str]:
    name = PREFIX + rule.name
    return [
        statement
        for verb in ("INSERT", "UPDATE")
        for statement in (
            f'DROP TRIGGER IF EXISTS "{name}_{verb.lower()}"',
            f'CREATE TRIGGER "{name}_{verb.lower()}" AFTER {verb} ON {rule.table} FOR EACH ROW '
            f"WHEN {rule.wrong} BEGIN SELECT RAISE(ABORT, '{_quoted(rule.message)}'); END",
        )
    ]


def _POSTGRESQL(rule: CrossRule) -> list[str]:
    # PostgreSQL cuts names at 63 bytes, so a rule's name is its trigger's name without the prefix.
    function = (
        f"CREATE OR REPLACE FUNCTION {rule.name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"IF {rule.wrong} THEN RAISE EXCEPTION '{_quoted(rule.message)}' "
        f"USING ERRCODE = 'check_violation', CONSTRAINT = '{rule.name}'; END IF; RETURN NULL; END $$"
    )
    return [
        function,
        f"DROP TRIGGER IF EXISTS {rule.name} ON {rule.table}",
        f"CREATE TRIGGER {rule.name} AFTER INSERT OR UPDATE ON {rule.table} FOR EACH ROW EXECUTE FUNCTION {rule.name}()",
    ]


def _quoted(text: str) -> str:
    return text.replace("'", "''")
