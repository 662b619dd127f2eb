# ruff: noqa: S608 - every name in this SQL stands in this file; nothing comes from outside
"""Rules that span tables, held by the database itself through triggers (see triggers.py), on both engines.

Each rule says when a row being written is wrong.
"""

from dataclasses import dataclass

ON_WRITE = ("INSERT", "UPDATE")
# For what only a change can break: nothing refers to a row yet when it is inserted.
ON_UPDATE = ("UPDATE",)
# Emptying a table at once, which only PostgreSQL knows; a rule on it cannot speak of rows.
TRUNCATE = "TRUNCATE"


@dataclass(frozen=True, slots=True)
class CrossRule:
    """`wrong` is SQL over NEW, the row written to `table` (on update also OLD); true means refuse.

    A withdrawn row breaks no rule, unless the rule is about what its withdrawal leaves behind.
    """

    name: str
    table: str
    wrong: str
    message: str
    verbs: tuple[str, ...] = ON_WRITE
    of_standing_rows: bool = True
    # Asked when the transaction ends, which only PostgreSQL can.
    at_commit: bool = False

    @property
    def condition(self) -> str:
        return f"NEW.withdrawn_at IS NULL AND ({self.wrong})" if self.of_standing_rows else self.wrong


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
# A score may be answered before the operation, so it is no event after one, but it is a sign of life.
_SCORE = _Event("registry_scoreresponse", "answered_on")
_PROCEDURE = _Event("registry_indexprocedure", "operated_on")
_REPORT = _Event("registry_patientreport", "answered_on")
# What a unit does about reviews is not done of the dead, but is no sign of life: of a death it hears later.
_GIVEN_UP = _Event("registry_givenupreview", "given_up_on")
_BOOKED = _Event("registry_bookedvisit", "booked_for")
_EVENTS = (_VISIT, _IMAGING, _LOOK, _REOPERATION, _COMPLICATION, _CONTACT, _REPORT)
_FOLLOWING = (*_EVENTS, _GIVEN_UP)
_SIGNS_OF_LIFE = (*_EVENTS, _SCORE, _PROCEDURE)
_FINDINGS = (
    _Finding("registry_imagingfinding", _IMAGING, "imaging_id"),
    _Finding("registry_secondlookfinding", _LOOK, "look_id"),
    _Finding("registry_reoperationontear", _REOPERATION, "reoperation_id"),
)

_REPAIRED = "('repaired', 'part_repaired')"
_TEAR_ON = (
    "SELECT 1 FROM registry_tear t JOIN registry_indexprocedure p ON p.id = t.procedure_id "
    "WHERE t.id = NEW.tear_id"
)
# Tear r is the return of tear t, yet it was operated on no later than t, or in another knee.
_RETURN_OUT_OF_ORDER = (
    "SELECT 1 FROM registry_tear r JOIN registry_tear t ON t.id = r.revises_id "
    "JOIN registry_indexprocedure q ON q.id = r.procedure_id "
    "JOIN registry_indexprocedure p ON p.id = t.procedure_id "
    "WHERE {which} = NEW.id AND r.withdrawn_at IS NULL "
    "AND (p.operated_on >= q.operated_on OR p.knee_id <> q.knee_id)"
)


def _event_rule(event: _Event) -> CrossRule:
    """An event follows the knee's first operation."""
    operated = (
        "SELECT 1 FROM registry_indexprocedure p "
        f"WHERE p.knee_id = NEW.knee_id AND p.operated_on <= NEW.{event.date} AND p.withdrawn_at IS NULL"
    )
    return CrossRule(
        f"{event.table}_after_operation",
        event.table,
        f"NOT EXISTS ({operated})",
        f"{event.date} lies before the first operation on this knee",
    )


def _life_rule(event: _Event) -> CrossRule:
    """Nothing happens to the dead."""
    dead = (
        "SELECT 1 FROM registry_knee k JOIN registry_patient a ON a.id = k.patient_id "
        f"WHERE k.id = NEW.knee_id AND a.died_on < NEW.{event.date}"
    )
    return CrossRule(
        f"{event.table}_before_death",
        event.table,
        f"EXISTS ({dead})",
        f"{event.date} lies after the patient's death",
    )


def _finding_rules(finding: _Finding) -> list[CrossRule]:
    """A finding is of a tear of the event's knee, operated on no later; also when event or tear is moved."""
    event = finding.event
    right = (
        f"{_TEAR_ON} AND EXISTS (SELECT 1 FROM {event.table} e WHERE e.id = NEW.{finding.key} "
        f"AND e.knee_id = p.knee_id AND e.{event.date} >= p.operated_on)"
    )
    event_moved = (
        f"SELECT 1 FROM {finding.table} f JOIN registry_tear t ON t.id = f.tear_id "
        "JOIN registry_indexprocedure p ON p.id = t.procedure_id "
        f"WHERE f.{finding.key} = NEW.id AND f.withdrawn_at IS NULL "
        f"AND (p.operated_on > NEW.{event.date} OR p.knee_id <> NEW.knee_id)"
    )
    tear_moved = (
        f"SELECT 1 FROM {finding.table} f JOIN {event.table} e ON e.id = f.{finding.key} "
        "JOIN registry_indexprocedure p ON p.id = NEW.procedure_id "
        f"WHERE f.tear_id = NEW.id AND f.withdrawn_at IS NULL "
        f"AND (p.operated_on > e.{event.date} OR p.knee_id <> e.knee_id)"
    )
    message = f"{event.date} lies before the operation on the tear, or the tear is of another knee"
    return [
        CrossRule(f"{finding.table}_after_repair", finding.table, f"NOT EXISTS ({right})", message),
        CrossRule(
            f"{event.table}_not_before_its_tears",
            event.table,
            f"EXISTS ({event_moved})",
            message,
            ON_UPDATE,
        ),
        CrossRule(
            f"registry_tear_not_after_{finding.table}",
            "registry_tear",
            f"EXISTS ({tear_moved})",
            message,
            ON_UPDATE,
        ),
    ]


def _procedure_rules() -> list[CrossRule]:
    """An operation lies within life; moved to another day or knee, it strands nothing that followed it."""
    table = _PROCEDURE.table
    life = (
        "SELECT 1 FROM registry_knee k JOIN registry_patient a ON a.id = k.patient_id "
        "WHERE k.id = NEW.knee_id AND (a.born_on > NEW.operated_on OR a.died_on < NEW.operated_on)"
    )
    return [
        CrossRule(
            f"{table}_within_life", table, f"EXISTS ({life})", "operated_on lies outside the patient's life"
        ),
        *(_procedure_before_event(event) for event in _FOLLOWING),
        *(_procedure_before_finding(finding) for finding in _FINDINGS),
        CrossRule(
            f"{table}_keeps_returns_in_order",
            table,
            " OR ".join(f"EXISTS ({_RETURN_OUT_OF_ORDER.format(which=which)})" for which in ("p.id", "q.id")),
            "a revision is of an earlier tear of the same knee",
            ON_UPDATE,
        ),
    ]


def _procedure_before_event(event: _Event) -> CrossRule:
    # Of the knee that the operation was on: an operation moved away strands what it leaves behind.
    earlier = (
        "SELECT 1 FROM registry_indexprocedure q "
        f"WHERE q.knee_id = OLD.knee_id AND q.operated_on <= e.{event.date} AND q.withdrawn_at IS NULL"
    )
    stranded = (
        f"SELECT 1 FROM {event.table} e WHERE e.knee_id = OLD.knee_id AND e.withdrawn_at IS NULL "
        f"AND NOT EXISTS ({earlier})"
    )
    return CrossRule(
        f"{_PROCEDURE.table}_not_after_{event.table}",
        _PROCEDURE.table,
        f"EXISTS ({stranded})",
        f"a {event.date} of this knee would lie before its first operation",
        ON_UPDATE,
        of_standing_rows=False,
    )


def _procedure_before_finding(finding: _Finding) -> CrossRule:
    event = finding.event
    stranded = (
        f"SELECT 1 FROM registry_tear t JOIN {finding.table} f ON f.tear_id = t.id "
        f"JOIN {event.table} e ON e.id = f.{finding.key} WHERE t.procedure_id = NEW.id "
        f"AND f.withdrawn_at IS NULL AND (e.{event.date} < NEW.operated_on OR e.knee_id <> NEW.knee_id)"
    )
    return CrossRule(
        f"{_PROCEDURE.table}_not_after_{finding.table}",
        _PROCEDURE.table,
        f"EXISTS ({stranded})",
        f"operated_on lies after a {event.date} that concerns one of its tears",
        ON_UPDATE,
    )


def _patient_rules() -> list[CrossRule]:
    """Birth and death have every sign of life between them; also when a knee changes its patient."""
    return [
        *(rule for event in _SIGNS_OF_LIFE for rule in _alive_rules(event)),
        CrossRule(
            "registry_patient_born_before_operation",
            "registry_patient",
            "EXISTS (SELECT 1 FROM registry_indexprocedure p JOIN registry_knee k ON k.id = p.knee_id "
            "WHERE k.patient_id = NEW.id AND p.withdrawn_at IS NULL AND p.operated_on < NEW.born_on)",
            "born_on lies after an operation on this patient",
            ON_UPDATE,
        ),
        CrossRule(
            "registry_knee_born_before_operation",
            "registry_knee",
            "EXISTS (SELECT 1 FROM registry_indexprocedure p "
            "JOIN registry_patient a ON a.id = NEW.patient_id "
            "WHERE p.knee_id = NEW.id AND p.withdrawn_at IS NULL AND p.operated_on < a.born_on)",
            "born_on lies after an operation on this patient",
            ON_UPDATE,
        ),
    ]


def _alive_rules(event: _Event) -> list[CrossRule]:
    message = f"died_on lies before a {event.date} of this patient"
    died = (
        f"SELECT 1 FROM {event.table} e JOIN registry_knee k ON k.id = e.knee_id "
        f"WHERE k.patient_id = NEW.id AND e.withdrawn_at IS NULL AND e.{event.date} > NEW.died_on"
    )
    reassigned = (
        f"SELECT 1 FROM {event.table} e JOIN registry_patient a ON a.id = NEW.patient_id "
        f"WHERE e.knee_id = NEW.id AND e.withdrawn_at IS NULL AND e.{event.date} > a.died_on"
    )
    return [
        CrossRule(
            f"registry_patient_alive_at_{event.table}",
            "registry_patient",
            f"EXISTS ({died})",
            message,
            ON_UPDATE,
        ),
        CrossRule(
            f"registry_knee_alive_at_{event.table}",
            "registry_knee",
            f"EXISTS ({reassigned})",
            message,
            ON_UPDATE,
        ),
    ]


def _reading_rules() -> list[CrossRule]:
    read = (
        "SELECT 1 FROM registry_tearreading r JOIN registry_tear t ON t.id = r.tear_id "
        "WHERE t.procedure_id = NEW.id AND r.withdrawn_at IS NULL "
        "AND r.reader_id IN (NEW.lead_surgeon_id, NEW.first_assistant_id, NEW.repaired_by_id)"
    )
    own = (
        "SELECT 1 FROM registry_tear t JOIN registry_indexprocedure p ON p.id = t.procedure_id "
        "WHERE t.id = NEW.tear_id "
        "AND NEW.reader_id IN (p.lead_surgeon_id, p.first_assistant_id, p.repaired_by_id)"
    )
    return [
        CrossRule(
            "registry_tearreading_by_another",
            "registry_tearreading",
            f"EXISTS ({own})",
            "a second reading is made by a surgeon who was not at the operation",
        ),
        CrossRule(
            "registry_indexprocedure_without_its_readers",
            "registry_indexprocedure",
            f"EXISTS ({read})",
            "a surgeon of this operation has read one of its tears as a second reader",
            ON_UPDATE,
        ),
    ]


def _repair_rules() -> list[CrossRule]:
    treated = f"SELECT 1 FROM registry_tear t WHERE t.id = NEW.tear_id AND t.treatment IN {_REPAIRED}"
    still = "SELECT 1 FROM registry_repair r WHERE r.tear_id = NEW.id AND r.withdrawn_at IS NULL"
    # Every table by its key: this is asked for each tear of a bulk load, with or without statistics.
    earlier = (
        "SELECT 1 FROM registry_tear t JOIN registry_indexprocedure p ON p.id = t.procedure_id "
        "JOIN registry_indexprocedure q ON q.knee_id = p.knee_id AND q.operated_on > p.operated_on "
        f"WHERE t.id = NEW.revises_id AND q.id = NEW.procedure_id AND t.treatment IN {_REPAIRED} "
        "AND t.withdrawn_at IS NULL"
    )
    return [
        CrossRule(
            "registry_repair_of_repaired_tear",
            "registry_repair",
            f"NOT EXISTS ({treated})",
            "only a tear marked repaired or part repaired has a repair",
        ),
        CrossRule(
            "registry_tear_keeps_treatment",
            "registry_tear",
            f"NEW.treatment NOT IN {_REPAIRED} AND EXISTS ({still})",
            "a tear with a repair stays marked repaired or part repaired",
            ON_UPDATE,
        ),
        CrossRule(
            "registry_tear_revises_earlier",
            "registry_tear",
            f"NEW.revises_id IS NOT NULL AND NOT EXISTS ({earlier})",
            "a revision is of an earlier repaired tear of the same knee",
        ),
        CrossRule(
            "registry_tear_withdrawn_without_return",
            "registry_tear",
            "NEW.withdrawn_at IS NOT NULL AND EXISTS (SELECT 1 FROM registry_tear r "
            "WHERE r.revises_id = NEW.id AND r.withdrawn_at IS NULL)",
            "a later tear is recorded as the return of this one",
            ON_UPDATE,
            of_standing_rows=False,
        ),
        CrossRule(
            "registry_tear_keeps_returns_in_order",
            "registry_tear",
            f"EXISTS ({_RETURN_OUT_OF_ORDER.format(which='t.id')})",
            "a revision is of an earlier tear of the same knee",
            ON_UPDATE,
        ),
    ]


def _report_rules() -> list[CrossRule]:
    """What confirms a patient's report is an operation on that knee, no later than the answer."""
    return [
        rule
        for event, key in ((_REOPERATION, "reoperation_id"), (_PROCEDURE, "operation_id"))
        for rule in _confirming(event, key)
    ]


def _confirming(event: _Event, key: str) -> list[CrossRule]:
    right = (
        f"SELECT 1 FROM {event.table} e WHERE e.id = NEW.{key} AND e.withdrawn_at IS NULL "
        f"AND e.knee_id = NEW.knee_id AND e.{event.date} <= NEW.answered_on"
    )
    confirms = (
        f"SELECT 1 FROM {_REPORT.table} r WHERE r.{key} = NEW.id AND r.withdrawn_at IS NULL "
        f"AND (NEW.withdrawn_at IS NOT NULL OR NEW.{event.date} > r.answered_on OR NEW.knee_id <> r.knee_id)"
    )
    return [
        CrossRule(
            f"{_REPORT.table}_names_its_{key.removesuffix('_id')}",
            _REPORT.table,
            f"NEW.{key} IS NOT NULL AND NOT EXISTS ({right})",
            "what confirms a report is a standing operation on the same knee, no later than the answer",
        ),
        CrossRule(
            f"{event.table}_confirms_a_report",
            event.table,
            f"EXISTS ({confirms})",
            "a patient's report is confirmed by this operation",
            ON_UPDATE,
            of_standing_rows=False,
        ),
    ]


CROSS_RULES: tuple[CrossRule, ...] = (
    *(_event_rule(event) for event in _FOLLOWING),
    *(_life_rule(event) for event in (*_FOLLOWING, _SCORE, _BOOKED)),
    *(rule for finding in _FINDINGS for rule in _finding_rules(finding)),
    *_procedure_rules(),
    *_patient_rules(),
    *_repair_rules(),
    *_reading_rules(),
    *_report_rules(),
)
