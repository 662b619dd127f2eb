"""Every rule that spans tables is in the database and refuses its row there, past all forms and models."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import IntegrityError, connection, transaction
from django.db.models import Model

from outcomes.models import keeping
from registry.models import (
    BookedVisit,
    Complication,
    Contact,
    GivenUpReview,
    Imaging,
    ImagingFinding,
    IndexProcedure,
    Kept,
    Knee,
    Patient,
    PatientReport,
    Reoperation,
    ReoperationOnTear,
    Repair,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    Surgeon,
    Tear,
    TearReading,
    Visit,
)
from registry.models.cross_rules import CROSS_RULES, TRUNCATE, CrossRule
from registry.models.history_rules import history_rules, kept_models
from registry.models.triggers import COUNTING, PREFIX
from registry.recording import Act, correct, record, withdraw
from tests import factories
from tests.conftest import Cast

# Longest name PostgreSQL keeps whole: NAMEDATALEN - 1 bytes (its manual, "Identifiers and Key Words").
POSTGRESQL_NAME_BYTES = 63

OPERATED_ON = factories.OPERATED_ON
NOW = datetime(2026, 1, 1, tzinfo=UTC)
BEFORE, SOON, LATER = (OPERATED_ON + timedelta(days=days) for days in (-1, 100, 400))

# Model of each dated event, its date field, and what else a sound row needs.
EVENTS: dict[str, tuple[type[Model], str, dict[str, str]]] = {
    "visit": (Visit, "seen_on", {}),
    "imaging": (Imaging, "imaged_on", {"modality": "mri"}),
    "secondlook": (SecondLook, "looked_on", {"reason": "symptoms"}),
    "reoperation": (Reoperation, "operated_on", {}),
    "complication": (
        Complication,
        "noticed_on",
        {"kind": "stiffness", "severity": "II", "found_by": "symptoms"},
    ),
    "contact": (Contact, "contacted_on", {"source": "phone"}),
    "scoreresponse": (ScoreResponse, "answered_on", {"instrument": "lysholm"}),
    "patientreport": (PatientReport, "answered_on", {"operated_again": "no"}),
    "givenupreview": (GivenUpReview, "given_up_on", {"time_point": "3m", "reason": "declined"}),
    "bookedvisit": (BookedVisit, "booked_for", {"time_point": "3m"}),
}
# A death may be heard of after what a unit did about reviews.
SIGNS_OF_LIFE = [kind for kind in EVENTS if kind not in ("givenupreview", "bookedvisit")]
FINDINGS: dict[str, tuple[type[Model], str, str]] = {
    "imagingfinding": (ImagingFinding, "imaging", "imaging"),
    "secondlookfinding": (SecondLookFinding, "look", "secondlook"),
    "reoperationontear": (ReoperationOnTear, "reoperation", "reoperation"),
}

Write = Callable[[], object]
Attempt = Callable[[Cast], Write]


def an_event(kind: str, knee: Knee, day: date) -> Model:
    model, date_field, needs = EVENTS[kind]
    return model(knee=knee, **{date_field: day}, **needs)


def put(*rows: Model) -> None:
    """Save past clean(): what remains is the database."""
    for row in rows:
        type(row)._default_manager.bulk_create([row])


def change(row: Kept, **fields: object) -> None:
    """Change a row past clean(), with its correction: what remains is the rule under test."""
    factories.corrected_in_database(row, **fields)


def later_operation(cast: Cast) -> Repair:
    """A second operation on the knee of the cast, with a repair."""
    return factories.a_repair(
        factories.an_operation(cast.unit, cast.oak, cast.knee, operated_on=LATER, injured_on=None)
    )


def other_knee(cast: Cast, **fields: object) -> Knee:
    """The other knee of the same patient, operated on as early."""
    knee = Knee(patient=cast.knee.patient, side="right")
    record(knee)
    factories.an_operation(cast.unit, cast.oak, knee, **fields)
    return knee


def died(cast: Cast, day: date) -> None:
    patient = cast.knee.patient
    patient.died_on = day
    correct(patient, act=Act(None, "died"))


# --- Events ------------------------------------------------------------------------------------


def event_inserted_before_operation(kind: str) -> Attempt:
    return lambda cast: lambda: put(an_event(kind, cast.knee, BEFORE))


def event_moved_before_operation(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        put(event := an_event(kind, cast.knee, SOON))
        return lambda: change(event, **{EVENTS[kind][1]: BEFORE})

    return attempt


def event_moved_to_knee_operated_on_later(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        put(event := an_event(kind, cast.knee, SOON))
        knee = other_knee(cast, operated_on=LATER)
        return lambda: change(event, knee=knee)

    return attempt


def event_inserted_after_death(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        died(cast, SOON)
        return lambda: put(an_event(kind, cast.knee, SOON + timedelta(days=1)))

    return attempt


def event_moved_after_death(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        put(event := an_event(kind, cast.knee, SOON))
        died(cast, SOON)
        return lambda: change(event, **{EVENTS[kind][1]: SOON + timedelta(days=1)})

    return attempt


# --- Findings ----------------------------------------------------------------------------------


def a_finding(kind: str, knee: Knee, tear: Tear, day: date) -> tuple[Model, Model]:
    model, key, event_kind = FINDINGS[kind]
    event = an_event(event_kind, knee, day)
    return event, model(tear=tear, **{key: event})


def finding_of_another_knee(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        elsewhere = factories.a_repair(factories.an_operation(cast.unit, cast.oak))
        event, finding = a_finding(kind, cast.knee, elsewhere.tear, SOON)
        put(event)
        return lambda: put(finding)

    return attempt


def finding_before_its_operation(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        event, finding = a_finding(kind, cast.knee, later_operation(cast).tear, SOON)
        put(event)
        return lambda: put(finding)

    return attempt


def finding_changed_to_later_tear(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        event, finding = a_finding(kind, cast.knee, cast.repair.tear, SOON)
        put(event, finding)
        later = later_operation(cast).tear
        return lambda: change(finding, tear=later)

    return attempt


def event_moved_before_tear(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        event, finding = a_finding(kind, cast.knee, later_operation(cast).tear, LATER)
        put(event, finding)
        return lambda: change(event, **{EVENTS[FINDINGS[kind][2]][1]: SOON})

    return attempt


def event_moved_away_from_tear(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        event, finding = a_finding(kind, cast.knee, cast.repair.tear, SOON)
        put(event, finding)
        knee = other_knee(cast)
        return lambda: change(event, knee=knee)

    return attempt


def tear_moved_to_later_operation(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        put(*a_finding(kind, cast.knee, cast.repair.tear, SOON))
        later = later_operation(cast).tear.procedure
        return lambda: change(cast.repair.tear, procedure=later)

    return attempt


def tear_moved_to_other_knee(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        put(*a_finding(kind, cast.knee, cast.repair.tear, SOON))
        elsewhere = factories.an_operation(cast.unit, cast.oak)
        return lambda: change(cast.repair.tear, procedure=elsewhere)

    return attempt


# --- Operations --------------------------------------------------------------------------------


def operation_moved_after_event(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        put(an_event(kind, cast.knee, SOON))
        return lambda: change(cast.repair.tear.procedure, operated_on=SOON + timedelta(days=1))

    return attempt


def operation_moved_to_other_knee(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        put(an_event(kind, cast.knee, SOON))
        knee = other_knee(cast, operated_on=OPERATED_ON - timedelta(days=1))
        return lambda: change(cast.repair.tear.procedure, knee=knee)

    return attempt


def operation_moved_after_finding(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        later = later_operation(cast)
        put(*a_finding(kind, cast.knee, later.tear, LATER))
        return lambda: change(later.tear.procedure, operated_on=LATER + timedelta(days=1))

    return attempt


def operation_with_finding_moved_to_other_knee(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        later = later_operation(cast)
        put(*a_finding(kind, cast.knee, later.tear, LATER))
        knee = other_knee(cast)
        return lambda: change(later.tear.procedure, knee=knee)

    return attempt


def an_unsaved_operation(cast: Cast, operated_on: date) -> IndexProcedure:
    return IndexProcedure(
        knee=cast.knee,
        unit=cast.unit,
        lead_surgeon=cast.oak,
        operated_on=operated_on,
        injury_date_precision="unknown",
    )


def operation_inserted_before_birth(cast: Cast) -> Write:
    born_on = cast.knee.patient.born_on
    return lambda: put(an_unsaved_operation(cast, born_on - timedelta(days=1)))


def operation_inserted_after_death(cast: Cast) -> Write:
    died(cast, SOON)
    return lambda: put(an_unsaved_operation(cast, SOON + timedelta(days=1)))


def operation_moved_before_birth(cast: Cast) -> Write:
    born_on = cast.knee.patient.born_on
    moved = {
        "operated_on": born_on - timedelta(days=1),
        "injured_on": None,
        "injury_date_precision": "unknown",
    }
    return lambda: change(cast.repair.tear.procedure, **moved)


def operation_moved_after_death(cast: Cast) -> Write:
    died(cast, SOON)
    return lambda: change(cast.repair.tear.procedure, operated_on=SOON + timedelta(days=1))


def a_return(cast: Cast) -> Repair:
    """A later repair of the tear that the cast's repair was of."""
    procedure = factories.an_operation(cast.unit, cast.oak, cast.knee, operated_on=LATER, injured_on=None)
    return factories.a_repair(procedure, revises=cast.repair.tear)


def first_operation_moved_after_return(cast: Cast) -> Write:
    a_return(cast)
    return lambda: change(cast.repair.tear.procedure, operated_on=LATER + timedelta(days=1))


def return_moved_before_first_operation(cast: Cast) -> Write:
    again = a_return(cast)
    return lambda: change(again.tear.procedure, operated_on=BEFORE)


def return_moved_to_other_knee(cast: Cast) -> Write:
    again = a_return(cast)
    knee = other_knee(cast)
    return lambda: change(again.tear.procedure, knee=knee)


# --- Patients and knees ------------------------------------------------------------------------


def death_before(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        put(an_event(kind, cast.knee, SOON))
        return lambda: change(cast.knee.patient, died_on=SOON - timedelta(days=1))

    return attempt


def death_before_operation(cast: Cast) -> Write:
    return lambda: change(cast.knee.patient, died_on=BEFORE)


def a_dead_stranger(cast: Cast) -> Patient:
    stranger = Patient(unit=cast.unit, sex="male", born_on=date(1950, 1, 1), died_on=BEFORE)
    record(stranger)
    return stranger


def knee_given_to_the_dead(cast: Cast) -> Write:
    stranger = a_dead_stranger(cast)
    return lambda: change(cast.knee, patient=stranger)


def knee_with_event_given_to_the_dead(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        put(an_event(kind, cast.knee, SOON))
        stranger = Patient(unit=cast.unit, sex="male", born_on=date(1950, 1, 1), died_on=OPERATED_ON)
        record(stranger)
        return lambda: change(cast.knee, patient=stranger)

    return attempt


def birth_after_operation(cast: Cast) -> Write:
    return lambda: change(cast.knee.patient, born_on=OPERATED_ON + timedelta(days=1))


def knee_given_to_the_unborn(cast: Cast) -> Write:
    unborn = Patient(unit=cast.unit, sex="male", born_on=OPERATED_ON + timedelta(days=1))
    record(unborn)
    return lambda: change(cast.knee, patient=unborn)


# --- Tears and repairs -------------------------------------------------------------------------


def a_removed_tear(cast: Cast) -> Tear:
    tear = Tear(
        procedure=cast.repair.tear.procedure, meniscus="lateral", pattern="radial", treatment="removed"
    )
    record(tear)
    return tear


def repair_of_removed_tear(cast: Cast) -> Write:
    tear = a_removed_tear(cast)
    return lambda: put(Repair(tear=tear, all_inside=True))


def repair_moved_to_removed_tear(cast: Cast) -> Write:
    tear = a_removed_tear(cast)
    return lambda: change(cast.repair, tear=tear)


def repaired_tear_changed_to_removed(cast: Cast) -> Write:
    return lambda: change(cast.repair.tear, treatment="removed")


def an_unsaved_return(cast: Cast, procedure: IndexProcedure, revises: Tear) -> Tear:
    return Tear(
        procedure=procedure, meniscus="medial", pattern="longitudinal", treatment="repaired", revises=revises
    )


def return_of_another_knees_tear(cast: Cast) -> Write:
    elsewhere = factories.a_repair(factories.an_operation(cast.unit, cast.oak))
    return lambda: put(an_unsaved_return(cast, cast.repair.tear.procedure, elsewhere.tear))


def return_of_later_tear(cast: Cast) -> Write:
    later = later_operation(cast)
    return lambda: put(an_unsaved_return(cast, cast.repair.tear.procedure, later.tear))


def same_day_return(cast: Cast) -> Write:
    return lambda: put(an_unsaved_return(cast, cast.repair.tear.procedure, cast.repair.tear))


def return_of_removed_tear(cast: Cast) -> Write:
    removed = a_removed_tear(cast)
    later = later_operation(cast).tear.procedure
    return lambda: put(an_unsaved_return(cast, later, removed))


def return_changed_to_that_of_removed_tear(cast: Cast) -> Write:
    removed, again = a_removed_tear(cast), a_return(cast)
    return lambda: change(again.tear, revises=removed)


def tear_changed_to_return_of_later(cast: Cast) -> Write:
    later = later_operation(cast)
    return lambda: change(cast.repair.tear, revises=later.tear)


def returned_tear_moved_after_its_return(cast: Cast) -> Write:
    a_return(cast)
    last = factories.an_operation(
        cast.unit, cast.oak, cast.knee, operated_on=LATER + timedelta(days=1), injured_on=None
    )
    return lambda: change(cast.repair.tear, procedure=last)


def returned_tear_moved_to_the_day_of_its_return(cast: Cast) -> Write:
    again = a_return(cast)
    return lambda: change(cast.repair.tear, procedure=again.tear.procedure)


AFTER_OPERATION = [kind for kind in EVENTS if kind not in ("scoreresponse", "bookedvisit")]


def returned_tear_withdrawn(cast: Cast) -> Write:
    again = a_return(cast)
    return lambda: (
        change(again.tear.revises.repair, withdrawn_at=NOW) or change(again.tear.revises, withdrawn_at=NOW)
    )


def a_reading(tear: Tear, reader: Surgeon) -> TearReading:
    read = {"pattern": "longitudinal", "depth": "complete", "radial_location": "posterior", "tissue": "good"}
    return TearReading(tear=tear, reader=reader, rim_zone=1, vascular_zone="RR", **read)


def reading_by_the_lead_surgeon(cast: Cast) -> Write:
    return lambda: put(a_reading(cast.repair.tear, cast.oak))


def reading_by_who_repaired(cast: Cast) -> Write:
    elm = factories.a_surgeon(cast.unit, "elm")
    change(cast.repair.tear.procedure, repaired_by=elm)
    return lambda: put(a_reading(cast.repair.tear, elm))


def reading_by_who_assisted(cast: Cast) -> Write:
    elm = factories.a_surgeon(cast.unit, "elm")
    change(cast.repair.tear.procedure, first_assistant=elm)
    return lambda: put(a_reading(cast.repair.tear, elm))


def reader_named_in_the_team(cast: Cast) -> Write:
    elm = factories.a_surgeon(cast.unit, "elm")
    put(a_reading(cast.repair.tear, elm))
    return lambda: change(cast.repair.tear.procedure, first_assistant=elm)


# --- Reports -----------------------------------------------------------------------------------


def a_report(knee: Knee, day: date = LATER, **verified: object) -> PatientReport:
    return PatientReport(knee=knee, answered_on=day, operated_again="yes", **verified)


def confirming(kind: str, cast: Cast, day: date = LATER) -> Kept:
    """A later operation of either kind on the knee of the cast, on record."""
    if kind == "operation":
        return factories.an_operation(cast.unit, cast.oak, cast.knee, operated_on=day, injured_on=None)
    again = Reoperation(knee=cast.knee, operated_on=day)
    record(again)
    return again


def report_of_operation_after_it(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        again = confirming(kind, cast)
        return lambda: put(a_report(cast.knee, LATER - timedelta(days=1), **{kind: again}))

    return attempt


def report_of_operation_on_another_knee(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        again, knee = confirming(kind, cast), other_knee(cast)
        return lambda: put(a_report(knee, **{kind: again}))

    return attempt


def report_of_operation_withdrawn(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        again = confirming(kind, cast)
        put(report := a_report(cast.knee))
        withdraw(again, Act(None, "another knee"))
        return lambda: change(report, **{kind: again})

    return attempt


def report_moved_before_its_operation(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        put(report := a_report(cast.knee, **{kind: confirming(kind, cast)}))
        return lambda: change(report, answered_on=LATER - timedelta(days=1))

    return attempt


def confirming_operation_moved_after_the_answer(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        again = confirming(kind, cast)
        put(a_report(cast.knee, **{kind: again}))
        return lambda: change(again, operated_on=LATER + timedelta(days=1))

    return attempt


def confirming_operation_moved_to_other_knee(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        again, knee = confirming(kind, cast), other_knee(cast)
        put(a_report(cast.knee, **{kind: again}))
        return lambda: change(again, knee=knee)

    return attempt


def confirming_operation_withdrawn(kind: str) -> Attempt:
    def attempt(cast: Cast) -> Write:
        again = confirming(kind, cast)
        put(a_report(cast.knee, **{kind: again}))
        return lambda: change(again, withdrawn_at=NOW)

    return attempt


ATTEMPTS: dict[str, tuple[Attempt, ...]] = {
    "registry_indexprocedure_within_life": (
        operation_inserted_before_birth,
        operation_inserted_after_death,
        operation_moved_before_birth,
        operation_moved_after_death,
    ),
    "registry_indexprocedure_keeps_returns_in_order": (
        first_operation_moved_after_return,
        return_moved_before_first_operation,
        return_moved_to_other_knee,
    ),
    "registry_patient_alive_at_registry_indexprocedure": (death_before_operation,),
    "registry_knee_alive_at_registry_indexprocedure": (knee_given_to_the_dead,),
    "registry_patient_born_before_operation": (birth_after_operation,),
    "registry_knee_born_before_operation": (knee_given_to_the_unborn,),
    "registry_repair_of_repaired_tear": (repair_of_removed_tear, repair_moved_to_removed_tear),
    "registry_tear_keeps_treatment": (repaired_tear_changed_to_removed,),
    "registry_tear_revises_earlier": (
        return_of_another_knees_tear,
        return_of_later_tear,
        same_day_return,
        return_of_removed_tear,
        return_changed_to_that_of_removed_tear,
        tear_changed_to_return_of_later,
    ),
    "registry_tear_withdrawn_without_return": (returned_tear_withdrawn,),
    "registry_indexprocedure_without_its_readers": (reader_named_in_the_team,),
    "registry_tearreading_by_another": (
        reading_by_the_lead_surgeon,
        reading_by_who_repaired,
        reading_by_who_assisted,
    ),
    "registry_tear_keeps_returns_in_order": (
        returned_tear_moved_after_its_return,
        returned_tear_moved_to_the_day_of_its_return,
    ),
}
for kind, table in {"reoperation": "reoperation", "operation": "indexprocedure"}.items():
    ATTEMPTS[f"registry_patientreport_names_its_{kind}"] = (
        report_of_operation_after_it(kind),
        report_of_operation_on_another_knee(kind),
        report_of_operation_withdrawn(kind),
        report_moved_before_its_operation(kind),
    )
    ATTEMPTS[f"registry_{table}_confirms_a_report"] = (
        confirming_operation_moved_after_the_answer(kind),
        confirming_operation_moved_to_other_knee(kind),
        confirming_operation_withdrawn(kind),
    )
for kind in AFTER_OPERATION:
    ATTEMPTS[f"registry_{kind}_after_operation"] = (
        event_inserted_before_operation(kind),
        event_moved_before_operation(kind),
        event_moved_to_knee_operated_on_later(kind),
    )
    ATTEMPTS[f"registry_indexprocedure_not_after_registry_{kind}"] = (
        operation_moved_after_event(kind),
        operation_moved_to_other_knee(kind),
    )
for kind in EVENTS:
    ATTEMPTS[f"registry_{kind}_before_death"] = (
        event_inserted_after_death(kind),
        event_moved_after_death(kind),
    )
for kind in SIGNS_OF_LIFE:
    ATTEMPTS[f"registry_patient_alive_at_registry_{kind}"] = (death_before(kind),)
    ATTEMPTS[f"registry_knee_alive_at_registry_{kind}"] = (knee_with_event_given_to_the_dead(kind),)
for kind, (_, _, event_kind) in FINDINGS.items():
    ATTEMPTS[f"registry_{kind}_after_repair"] = (
        finding_of_another_knee(kind),
        finding_before_its_operation(kind),
        finding_changed_to_later_tear(kind),
    )
    ATTEMPTS[f"registry_{event_kind}_not_before_its_tears"] = (
        event_moved_before_tear(kind),
        event_moved_away_from_tear(kind),
    )
    ATTEMPTS[f"registry_tear_not_after_registry_{kind}"] = (
        tear_moved_to_later_operation(kind),
        tear_moved_to_other_knee(kind),
    )
    ATTEMPTS[f"registry_indexprocedure_not_after_registry_{kind}"] = (
        operation_moved_after_finding(kind),
        operation_with_finding_moved_to_other_knee(kind),
    )


@pytest.mark.parametrize(
    ("rule", "place"),
    [
        pytest.param(rule, place, id=f"{rule.name}-{place}")
        for rule in CROSS_RULES
        for place in range(len(ATTEMPTS.get(rule.name, ())))
    ],
)
def test_the_database_alone_refuses(rule: CrossRule, place: int, cast: Cast) -> None:
    write = ATTEMPTS[rule.name][place](cast)
    with pytest.raises(IntegrityError) as refusal, transaction.atomic():
        write()
    assert rule.message in str(refusal.value)


def test_every_rule_is_tried() -> None:
    assert set(ATTEMPTS) == {rule.name for rule in CROSS_RULES}


@pytest.mark.django_db
def test_every_rule_is_in_the_database() -> None:
    rules = (*CROSS_RULES, *history_rules(), *keeping.rules())
    if connection.vendor == "postgresql":
        expected = {rule.name for rule in rules} | {COUNTING}
        query = "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal"
    else:
        expected = {
            f"{PREFIX}{rule.name}_{verb.lower()}"
            for rule in rules
            for verb in rule.verbs
            if verb != TRUNCATE and not rule.at_commit
        }
        tables = [model._meta.db_table for model in kept_models()]
        verbs = ("insert", "update", "delete")
        expected |= {f"{PREFIX}{table}_counts_{verb}" for table in tables for verb in verbs}
        query = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    with connection.cursor() as cursor:
        cursor.execute(query)
        assert {name for (name,) in cursor.fetchall()} == expected


def test_rules_have_names_of_their_own_that_postgresql_keeps_whole() -> None:
    names = [rule.name for rule in (*CROSS_RULES, *history_rules())]
    assert len(set(names)) == len(names)
    assert [name for name in names if len(name.encode()) > POSTGRESQL_NAME_BYTES] == []


def test_a_sound_course_passes_every_rule(cast: Cast) -> None:
    """What the rules guard against is refused; what they guard is not: the same rows on the right days."""
    for kind in EVENTS:
        put(an_event(kind, cast.knee, OPERATED_ON))
    for kind in FINDINGS:
        put(*a_finding(kind, cast.knee, cast.repair.tear, SOON))
    put(report := a_report(cast.knee, SOON, reoperation=Reoperation.objects.get(operated_on=SOON)))
    again = a_return(cast)
    died(cast, LATER)
    change(report, answered_on=LATER)
    change(report, reoperation=None)
    change(report, operation=again.tear.procedure)
    change(again.tear.procedure, operated_on=SOON)
    change(cast.repair.tear.procedure, operated_on=OPERATED_ON - timedelta(days=2))
    assert IndexProcedure.objects.filter(knee=cast.knee).count() == 2
