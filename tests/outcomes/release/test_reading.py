"""What is read for a release: permitted rows only, equal to the registry's, in days and under pseudonyms."""

from collections import Counter
from datetime import date, timedelta
from decimal import Decimal

import pandas as pd
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from outcomes.cohort import Cohort
from outcomes.counts import count_table
from outcomes.estimators.survival import kaplan_meier
from outcomes.failure import ANY, DEFINITIONS
from outcomes.release.bands import activity_band, age_band, bmi_band
from outcomes.release.columns import COLUMNS, QUASI_IDENTIFIERS
from outcomes.release.frozen import LOOKS, REOPERATIONS, REPAIRS, SCORES, TABLES, VISITS
from outcomes.release.hierarchies import ATTRIBUTES
from outcomes.release.pseudonyms import SHORT_BITS, Pseudonyms
from outcomes.release.reading import (
    UnknownCodeError,
    kept_with,
    permitted_repairs,
    read_tables,
    refuse_unknown,
)
from outcomes.strata import STRATA
from outcomes.survival import columns_of, count_repairs
from registry.demo.cast import Cast as DemoCast
from registry.demo.load import load
from registry.demo.scenario import generate
from registry.demo.truth import Truth
from registry.models import EndOfFollowUp, ScoreResponse, Unit
from registry.recording import record
from tests import factories
from tests.outcomes.findings import a_look, a_visit, on_day
from tests.outcomes.release.asking import asked

pytestmark = pytest.mark.django_db

UNTIL = date(2026, 6, 1)
NAMES = Pseudonyms("k" * 32, "zones")
PERMITTED = {"research_permission": "given", "research_permission_on": factories.OPERATED_ON}


def untold(step, done, total):
    """Nobody listens."""


def read(*units, tell=untold, **changes):
    chosen = Unit.objects.filter(pk__in=[unit.pk for unit in units])
    return read_tables(asked(*units, **changes), chosen, NAMES, tell)


def permitted(cast, **fields):
    """A repair of a patient who gave permission."""
    patient = {name: fields.pop(name) for name in ("born_on", "sex") if name in fields}
    knee = factories.a_knee(cast.unit, **PERMITTED, **patient)
    return factories.a_repair(factories.an_operation(cast.unit, cast.oak, knee, **fields))


def of(repair):
    """The pseudonym of a repair."""
    return NAMES.of("repair", repair.tear.uuid)


def rows(table, **values):
    """The rows with these values, as dictionaries."""
    for name, value in values.items():
        table = table[table[name] == value]
    return table.to_dict("records")


def test_only_permitted_repairs_are_read_and_the_flow_says_who_was_left_out(cast):
    kept = permitted(cast)
    for permission in ("refused", "withdrawn"):
        knee = factories.a_knee(
            cast.unit, research_permission=permission, research_permission_on=factories.OPERATED_ON
        )
        factories.a_repair(factories.an_operation(cast.unit, cast.oak, knee))
    left = permitted(cast)
    record(
        EndOfFollowUp(
            patient=left.tear.procedure.knee.patient, ended_on=factories.OPERATED_ON, reason="withdrew"
        )
    )
    found = read(cast.unit)
    assert list(found.tables[REPAIRS]["repair"]) == [of(kept)]
    assert [(step.code, step.left_out, step.remaining) for step in found.flow[-4:]] == [
        ("permission_not_asked", 1, 4),
        ("permission_refused", 1, 3),
        ("permission_withdrawn", 1, 2),
        ("withdrew", 1, 1),
    ]
    assert found.flow[-5].remaining == Cohort(which="all").repairs(Unit.objects.all()).count()


def test_who_moved_away_stays_and_an_end_taken_back_counts_no_more(cast):
    ends = []
    for reason in ("moved", "withdrew"):
        patient = permitted(cast).tear.procedure.knee.patient
        ends.append(EndOfFollowUp(patient=patient, ended_on=factories.OPERATED_ON, reason=reason))
    record(*ends)
    assert len(read(cast.unit).tables[REPAIRS]) == 1
    factories.withdrawn(ends[1])
    assert len(read(cast.unit).tables[REPAIRS]) == 2


def test_nobody_permitted_gives_empty_tables_with_every_column(cast):
    tables = read(cast.unit).tables
    assert {name: list(table) for name, table in tables.items()} == {
        name: [column.name for column in columns] for name, columns in COLUMNS.items()
    }
    assert not any(len(table) for table in tables.values())


@pytest.fixture
def demo(db):
    """A small invented registry and all its units."""
    load(generate(150, 7, UNTIL, Truth.read()), DemoCast.read(), UNTIL, lambda username: "elder-crescent-93")
    return Unit.objects.all()


def test_the_demos_rows_equal_what_the_registry_counts(demo):
    for definition in DEFINITIONS.values():
        table = read(*demo, definition=definition.code).tables[REPAIRS]
        repairs = permitted_repairs(Cohort(which="all"), demo)
        strata = [
            stratum for code, stratum in STRATA.items() if code in table and code not in ("age", "technique")
        ]
        codes = [stratum.code for stratum in strata]
        registrys = count_table(repairs, definition, strata, date.today())
        expected: Counter[tuple[object, ...]] = Counter()
        for row in registrys.to_dict("records"):
            expected[(*(row[code] for code in codes), row["entry"], row["day"], row["outcome"])] += row["n"]
        ours = zip(*(table[name] for name in (*codes, "at_risk_from", "days", "outcome")), strict=True)
        assert Counter(ours) == expected
        assert len(codes) == 8
        assert expected.total() == repairs.count() == len(table) > 100
        _same_curve(table, count_repairs(repairs, definition, [], date.today()).table)


def _same_curve(table, counted):
    known = table[~((table["at_risk_from"] > 0) & (table["at_risk_from"] >= table["days"]))]
    released = kaplan_meier(
        known["days"].to_numpy(), known["failed"].to_numpy() == 1, entry=known["at_risk_from"].to_numpy()
    )
    registrys = kaplan_meier(**columns_of(counted))
    assert list(released.time) == list(registrys.time)
    assert list(released.survival) == list(registrys.survival)
    assert (known["at_risk_from"] > 0).any()
    assert known["failed"].sum() > 5


def test_the_demos_tables_hold_what_the_codebook_allows_and_lead_to_released_repairs(demo):
    tables = read(*demo, definition=ANY.code).tables
    assert tuple(tables) == TABLES
    repairs = tables[REPAIRS]
    for name, table in tables.items():
        assert len(table)
        assert list(table) == [column.name for column in COLUMNS[name]]
        assert set(table["patient"]) <= set(repairs["patient"])
        for key in ("operation", "repair"):
            assert key not in table or set(table[key]) - {""} <= set(repairs[key])
        assert name == SCORES or "days" not in table or table["days"].min() >= 0
        for column in COLUMNS[name]:
            told = table[column.name]
            assert column.type in ("integer", "number", "boolean") or {type(each) for each in told} == {str}
    for code in set(QUASI_IDENTIFIERS) - {"year"}:
        assert set(repairs[code]) <= set(ATTRIBUTES[code].finest)
    assert repairs["patient"].nunique() < repairs["operation"].nunique() < len(repairs)
    assert repairs["repair"].is_unique
    assert (tables[SCORES]["days"] < 0).any()
    assert set(repairs["revises"]) - {""} <= set(repairs["repair"])


def test_the_same_record_is_read_the_same_again(demo):
    first, again = read(*demo).tables, read(*demo).tables
    for name in TABLES:
        pd.testing.assert_frame_equal(first[name], again[name])


def test_bands_are_those_that_may_be_coarsened():
    ages = [age_band(years) for years in (0, 14, 15, 19, 20, 59, 60, 89, 104)]
    assert ages == [
        *("under_15", "under_15", "15_19", "15_19", "20_24", "55_59"),
        *("60_and_over", "60_and_over", "60_and_over"),
    ]
    masses = [bmi_band(Decimal(bmi)) for bmi in ("18.4", "18.5", "24.9", "25", "29.9", "30", "34.9", "35")]
    # World Health Organization, Technical Report Series 894, 2000.
    assert masses == [
        *("under_18_5", "18_5_24_9", "18_5_24_9", "25_29_9", "25_29_9", "30_34_9", "30_34_9", "35_and_over"),
    ]
    assert {age_band(years) for years in range(105)} == set(ATTRIBUTES["age"].finest) - {"unknown"}
    assert {*masses, bmi_band(None)} == set(ATTRIBUTES["bmi"].finest)
    levels = [None, *range(11)]
    assert {activity_band(level) for level in levels} == set(ATTRIBUTES["activity"].finest)
    assert [activity_band(level) for level in (2, 3, 8, 9)] == ["0_2", "3_4", "7_8", "9_10"]


def test_what_was_not_asked_for_is_given_up_in_every_row(cast):
    permitted(cast, smoking="never", bmi=Decimal("27.1"), preinjury_tegner=7, injury_cause="work")
    (row,) = rows(read(cast.unit, attributes=("sex",)).tables[REPAIRS])
    assert {row[name] for name in QUASI_IDENTIFIERS if name != "sex"} == {"any"}
    assert (row["sex"], row["unit"], row["surgeon"]) == ("female", "", "")
    (row,) = rows(read(cast.unit).tables[REPAIRS])
    told = {name: row[name] for name in QUASI_IDENTIFIERS}
    assert told == {
        "age": "25_29",
        "sex": "female",
        "side": "left",
        "year": "2024_2025",
        "cause": "work",
        "ligament": "none",
        "bmi": "25_29_9",
        "smoking": "never",
        "activity": "7_8",
    }
    (row,) = rows(read(cast.unit, attributes=("year", "unit", "surgeon"), year_years=0).tables[REPAIRS])
    assert row["year"] == "any"
    assert row["surgeon"] == NAMES.of("surgeon", cast.oak.pk, SHORT_BITS)
    assert row["unit"] == NAMES.of("unit", cast.unit.pk, SHORT_BITS)


def test_a_birthday_on_the_day_of_operation_counts(cast):
    first, second = (permitted(cast, born_on=date(2004, 3, day)) for day in (1, 2))
    table = read(cast.unit).tables[REPAIRS]
    assert [rows(table, repair=of(repair))[0]["age"] for repair in (first, second)] == ["20_24", "15_19"]


def test_a_repair_entered_from_old_notes_is_at_risk_from_its_entry(cast):
    recorded = factories.an_operation(cast.unit, cast.oak).recorded_at
    late = permitted(cast, recorded_at=recorded + timedelta(days=400))
    limit = permitted(cast, recorded_at=recorded + timedelta(days=90))
    table = read(cast.unit).tables[REPAIRS]
    assert [rows(table, repair=of(repair))[0]["at_risk_from"] for repair in (late, limit)] == [400, 0]


@pytest.fixture
def twice(cast):
    """A knee repaired on day 0 and on day 500, the second the return of the first tear."""
    first = permitted(cast)
    knee = first.tear.procedure.knee
    again = factories.an_operation(cast.unit, cast.oak, knee, operated_on=on_day(500))
    return first, factories.a_repair(again, revises=first.tear)


def a_score(repair, day, **items):
    response = ScoreResponse(
        knee=repair.tear.procedure.knee,
        answered_on=on_day(day),
        instrument="tegner",
        items=items or {"level": 4},
    )
    record(response)
    return response


def operation_of(repair):
    return NAMES.of("operation", repair.tear.procedure.uuid)


def days(table, repair):
    return sorted(table[table["operation"] == operation_of(repair)]["days"])


def test_a_return_leads_to_the_earlier_repair_where_that_is_released(cast, twice):
    first, second = twice
    table = read(cast.unit).tables[REPAIRS]
    assert [rows(table, repair=of(repair))[0]["revises"] for repair in twice] == ["", of(first)]
    assert [row["revision"] for row in rows(table, repair=of(second))] == [1]
    alone = read(cast.unit, cohort={"which": "revision"}).tables[REPAIRS]
    assert list(alone["revises"]) == [""]


def test_events_are_told_of_each_released_operation_on_or_before_them(cast, twice):
    first, _ = twice
    for day in (90, 500, 600):
        a_visit(first, day)
    factories.withdrawn(a_visit(first, 95))
    visits = read(cast.unit).tables[VISITS]
    assert [days(visits, repair) for repair in twice] == [[90, 500, 600], [0, 100]]
    alone = read(cast.unit, cohort={"which": "revision"}).tables[VISITS]
    assert list(alone["days"]) == [0, 100]


def test_a_score_before_an_operation_is_told_of_the_next_one_only(cast, twice):
    first, _ = twice
    for day in (-10, 90, 500, 510):
        a_score(first, day)
    scores = read(cast.unit).tables[SCORES]
    assert [days(scores, repair) for repair in twice] == [[-10, 90, 500, 510], [-410, 0, 10]]
    assert set(zip(scores["instrument"], scores["scale"], scores["value"], strict=True)) == {
        ("tegner", "total", 4.0)
    }
    # What was answered before an operation that is not released is not told of a later one.
    alone = read(cast.unit, cohort={"which": "revision"}).tables[SCORES]
    assert sorted(alone["days"]) == [-410, 0, 10]


def test_items_and_forms_that_tell_an_age_stay(cast):
    repair = permitted(cast)
    a_score(repair, 90)
    child = ScoreResponse(knee=repair.tear.procedure.knee, answered_on=on_day(91), instrument="pedi_ikdc")
    record(child)
    tables = read(cast.unit).tables
    assert set(tables[SCORES]["instrument"]) == {"tegner"}
    assert (
        "pedi_ikdc" not in next(column for column in COLUMNS[SCORES] if column.name == "instrument").allowed
    )


def test_a_look_is_told_of_the_released_repairs_that_it_saw(cast, twice):
    first, second = twice
    a_look(first, 400, thickness=50)
    a_look(second, 700, thickness=95, healed_length_percent=80, action="partial_removal")
    looks = read(cast.unit).tables[LOOKS]
    told = {(row["repair"], row["days"], row["class"], row["action"], row["reason"]) for row in rows(looks)}
    assert told == {
        (of(first), 400, "failed", "none", "staged"),
        (of(second), 200, "partly", "partial_removal", "staged"),
    }
    factories.corrected(cast.unit, failed_cleft_from_percent=60)
    looks = read(cast.unit).tables[LOOKS]
    assert [row["class"] for row in rows(looks, repair=of(first))] == ["partly"]


def test_a_reoperation_is_told_of_every_released_operation_and_of_the_repairs_it_touched(cast, twice):
    first, second = twice
    factories.a_failure(second, 100, other_surgery="hardware")
    told = {
        (row["operation"], row["repair"], row["days"], row["action"], row["site"], row["other_surgery"])
        for row in rows(read(cast.unit).tables[REOPERATIONS])
    }
    assert told == {
        (operation_of(first), "", 600, "", "", "hardware"),
        (operation_of(second), of(second), 100, "partial_removal", "same", "hardware"),
    }
    alone = read(cast.unit, cohort={"which": "primary"}).tables[REOPERATIONS]
    assert [(row["repair"], row["action"]) for row in rows(alone)] == [("", "")]


def test_what_belongs_to_a_repair_left_out_leaves_with_it(cast, twice):
    first, second = twice
    a_visit(first, 90)
    a_score(first, 490)
    a_look(first, 400)
    factories.a_failure(second, 100)
    tables = read(cast.unit).tables
    kept = kept_with(tables, tables[REPAIRS][tables[REPAIRS]["repair"] == of(second)])
    assert [row["revises"] for row in rows(kept[REPAIRS])] == [""]
    assert {name: len(kept[name]) for name in TABLES} == {
        REPAIRS: 1,
        VISITS: 0,
        SCORES: 1,
        LOOKS: 0,
        REOPERATIONS: 1,
    }
    assert list(kept[SCORES]["days"]) == [-10]
    everything = kept_with(tables, tables[REPAIRS])
    for name in TABLES:
        pd.testing.assert_frame_equal(everything[name], tables[name])


def test_reading_tells_how_far_it_is_and_stops_when_told_to(cast, twice):
    said = []
    read(cast.unit, tell=lambda *now: said.append(now))
    assert ("Reading repairs", 2, 2) in said
    assert {step for step, _, _ in said} == {
        "Reading repairs",
        "Reading visits",
        "Reading scores",
        "Reading second looks",
        "Reading reoperations",
    }

    def stop(*_):
        raise InterruptedError

    with pytest.raises(InterruptedError):
        read(cast.unit, tell=stop)


def test_as_many_queries_for_many_repairs_as_for_few(cast):
    def queries():
        with CaptureQueriesContext(connection) as caught:
            read(cast.unit)
        return len(caught)

    a_visit(permitted(cast), 90)
    few = queries()
    for _ in range(4):
        a_visit(permitted(cast), 90)
    assert queries() == few


def test_a_code_that_the_codebook_does_not_know_stops_the_release(cast):
    permitted(cast)
    tables = read(cast.unit).tables
    refuse_unknown(tables)
    tables[REPAIRS]["zone"] = "Mrs Zwaxvreemlk"
    with pytest.raises(UnknownCodeError, match=r"repairs\.zone: .* not in the codebook") as refused:
        refuse_unknown(tables)
    assert "Zwaxvreemlk" not in str(refused.value)


def test_a_project_shares_no_pseudonym_with_another(cast, twice):
    def tokens(project):
        chosen = Unit.objects.filter(pk=cast.unit.pk)
        pseudonyms = Pseudonyms("k" * 32, project)
        wanted = asked(cast.unit, attributes=("unit", "surgeon"))
        table = read_tables(wanted, chosen, pseudonyms, untold).tables[REPAIRS]
        names = ("repair", "revises", "patient", "knee", "operation", "unit", "surgeon")
        return {token for name in names for token in table[name]} - {""}

    assert len(tokens("zones")) == 2 + 1 + 1 + 2 + 1 + 1
    assert not tokens("zones") & tokens("ramps")
    assert tokens("zones") == tokens(" Zones ")


@pytest.mark.any_engine
def test_pseudonyms_do_not_collide_and_carry_128_bits():
    names = {NAMES.of("patient", number) for number in range(10_000)}
    assert len(names) == 10_000
    assert {len(name) for name in names} == {26}
    assert not names & {NAMES.of("repair", number) for number in range(10_000)}


@pytest.mark.any_engine
def test_surgeons_and_units_keep_their_pseudonym_when_others_join():
    names = [NAMES.of("surgeon", number, SHORT_BITS) for number in range(40)]
    assert len(set(names)) == 40
    assert {len(name) for name in names} == {8}
    assert names[7] == Pseudonyms("k" * 32, " Zones ").of("surgeon", 7, SHORT_BITS)
