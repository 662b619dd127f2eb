"""A file beside the record: matched by number, compared in all it says, nothing merged or changed."""

from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from registry.intake import files, work
from registry.intake.columns.mapping import Column, Mapping, SheetMapping
from registry.intake.people.matching import on_record
from registry.models import Contact, Identity, IndexProcedure, Knee, SecondLook, Visit
from registry.recording import record
from registry.telling import silently
from tests import factories
from tests.conftest import Cast
from tests.registry.intake.old_notes import (
    LOOK,
    OPERATION,
    REPAIRED,
    TEAR,
    VISIT,
    begun,
    counts,
    rehearsed,
    taken_in,
    told,
)

SIDE = {"patient.hospital_number": "H 100", "knee.side": "left"}
SECOND_TEAR = {"tear2.meniscus": "lateral", "tear2.pattern": "radial", "tear2.treatment": "left"}
TWO_TEARS = {**REPAIRED, **SECOND_TEAR}


@pytest.mark.parametrize(
    ("field", "value", "recorded"),
    [
        ("patient.sex", "male", "sex female"),
        ("patient.born_on", "1990-05-18", "born on 17 May 1990"),
        ("patient.born_year", "1991", "born year 1990"),
    ],
)
def test_another_person_of_the_same_number_is_never_merged(
    cast: Cast, field: str, value: str, recorded: str
) -> None:
    taken_in(cast, REPAIRED)
    row = {name: each for name, each in REPAIRED.items() if not name.startswith("patient.born")}
    other = {**row, "patient.born_on": "1990-05-17", field: value, "operation.operated_on": "2020-01-01"}
    if field == "patient.born_year":
        del other["patient.born_on"]
    report = rehearsed(cast, other)
    assert counts(report) == {
        "patients": {"conflicting": 1},
        "operations": {"conflicting": 1},
        "tears": {"conflicting": 1},
    }
    assert told(report) == [(2, f"The patient of this number is on record with {recorded}.")]
    assert report.problems[0].header == field


@pytest.mark.parametrize("number", ["H100", "h 100", " H 1 00"])
def test_a_number_matches_however_it_is_spaced(cast: Cast, number: str) -> None:
    taken_in(cast, REPAIRED)
    report = rehearsed(cast, {**REPAIRED, "patient.hospital_number": number})
    assert counts(report)["patients"] == {"on_record": 1}


def test_the_same_number_of_another_unit_is_another_patient(cast: Cast) -> None:
    stranger = factories.a_knee(cast.other_unit, sex="male").patient
    record(Identity.sealed(stranger, hospital_number="H 100"))
    assert counts(rehearsed(cast, REPAIRED))["patients"] == {"new": 1}


def test_a_year_agrees_with_a_day_in_it(cast: Cast) -> None:
    taken_in(cast, REPAIRED)
    row = {name: value for name, value in REPAIRED.items() if name != "patient.born_on"}
    report = rehearsed(cast, {**row, "patient.born_year": "1990"})
    assert counts(report)["patients"] == {"on_record": 1}
    assert report.problems == ()


@pytest.mark.parametrize(
    ("difference", "rule"),
    [
        ({"operation.asa": "3"}, "with asa 2."),
        ({"operation.bmi": "25.5"}, "with bmi 25.0."),
        ({"operation.lead_surgeon": "elm"}, "with lead surgeon oak."),
        ({"repair1.techniques": "inside_out"}, "with all inside yes."),
        ({"tear1.length_mm": "20"}, "with length mm empty."),
        (SECOND_TEAR, "with 1 tear, the file tells 2."),
    ],
)
def test_an_operation_told_otherwise_conflicts_and_stays(
    cast: Cast, difference: dict[str, Any], rule: str
) -> None:
    factories.a_surgeon(cast.unit, "elm")
    known = {**REPAIRED, "operation.asa": "2", "operation.bmi": "25"}
    taken_in(cast, known)
    report = rehearsed(cast, {**known, **difference})
    assert counts(report)["operations"] == {"conflicting": 1}
    assert any(each.rule.endswith(rule) for each in report.problems), told(report)
    assert all("stays" in each.mend or "changes nothing" in each.mend for each in report.problems)
    assert IndexProcedure.objects.get(operated_on=date(2019, 3, 1)).asa == 2


def test_what_the_file_does_not_say_is_no_difference(cast: Cast) -> None:
    taken_in(cast, {**TWO_TEARS, "operation.asa": "2", "tear1.length_mm": "12"})
    second_tear = {"tear1.meniscus": "lateral", "tear1.pattern": "radial"}
    report = rehearsed(cast, {**OPERATION, **second_tear}, {**OPERATION, **TEAR})
    assert counts(report)["operations"] == {"on_record": 1}
    assert counts(report)["tears"] == {"on_record": 2}
    assert report.problems == ()


def test_an_event_told_otherwise_conflicts(cast: Cast) -> None:
    taken_in(cast, REPAIRED, {**VISIT, **LOOK, "look1.stable_on_probing": "yes"})
    report = rehearsed(cast, {**SIDE, **VISIT, "visit.flexion_deg": "90"})
    assert told(report) == [(2, "The visit of 2 Sep 2019 is on record with flexion deg 130.")]
    report = rehearsed(cast, {**SIDE, **LOOK, "look1.stable_on_probing": "no"})
    assert counts(report)["events"] == {"conflicting": 1}
    assert (Visit.objects.get().flexion_deg, SecondLook.objects.count()) == (130, 1)


def test_findings_count_the_tears_of_the_operation_on_record(cast: Cast) -> None:
    taken_in(cast, TWO_TEARS)
    _, report = taken_in(
        cast, {**SIDE, **LOOK, "look1.stable_on_probing": "", "look2.stable_on_probing": "no"}
    )
    assert counts(report)["events"] == {"new": 1}
    assert SecondLook.objects.get().findings.get().tear.meniscus == "lateral"
    report = rehearsed(
        cast, {**SIDE, **LOOK, "look.looked_on": "2021-01-01", "look3.stable_on_probing": "no"}
    )
    assert report.problems[0].rule.startswith("There is no tear 3: the operation has 2")


def test_a_finding_without_number_needs_a_single_tear(cast: Cast) -> None:
    taken_in(cast, TWO_TEARS)
    unclear = rules_broken(cast, "Stable")
    assert "The operation has 2 tears (1: longitudinal-vertical tear, medial meniscus, 2: radial" in unclear
    assert "does not say of which this is" in unclear
    assert rules_broken(cast, "Tear 1 stable") == ""


def rules_broken(cast: Cast, header: str) -> str:
    """By a list of looks, the finding of each under this header."""
    content = f"MRN,Side,Look,Why,{header}\nH 100,left,2020-02-01,staged,yes\n"
    intake = files.begin(cast.unit, cast.surgeon, "looks.csv", content.encode())
    keys = (
        "patient.hospital_number",
        "knee.side",
        "look.looked_on",
        "look.reason",
        "look1.stable_on_probing",
    )
    headers = ("MRN", "Side", "Look", "Why", header)
    columns = tuple(Column(place, *each) for place, each in enumerate(zip(headers, keys, strict=True)))
    files.set_mapping(intake, cast.surgeon, Mapping((SheetMapping("looks", columns=columns),)))
    return " ".join(rule for _, rule in told(work.rehearse(intake, silently)))


def test_an_event_of_an_operation_that_nobody_knows(cast: Cast) -> None:
    report = rehearsed(cast, REPAIRED, {**VISIT, "visit.seen_on": "2018-01-01"})
    assert told(report) == [(3, "The operation that it follows is neither in this file nor on record.")]
    report = rehearsed(cast, REPAIRED, {**SIDE, **VISIT, "operation.operated_on": "2019-03-02"})
    assert counts(report)["events"] == {"refused": 1}


def test_an_event_without_side_belongs_to_the_only_knee(cast: Cast) -> None:
    right = {**REPAIRED, "knee.side": "right"}
    assert counts(rehearsed(cast, REPAIRED, VISIT))["events"] == {"new": 1}
    report = rehearsed(cast, REPAIRED, right, VISIT)
    assert "two knees" in report.problems[0].rule
    taken_in(cast, right)
    assert counts(rehearsed(cast, REPAIRED, VISIT))["events"] == {"refused": 1}


def test_a_follow_up_ends_once(cast: Cast) -> None:
    ended = {**SIDE, "end.ended_on": "2019-12-01", "end.reason": "moved"}
    taken_in(cast, REPAIRED, ended)
    assert counts(rehearsed(cast, ended))["events"] == {"on_record": 1}
    report = rehearsed(cast, {**ended, "end.ended_on": "2020-12-01"})
    assert counts(report)["events"] == {"conflicting": 1}


def test_what_else_is_told_of_a_patient_on_record_changes_nothing(cast: Cast) -> None:
    taken_in(cast, REPAIRED)
    _, report = taken_in(cast, {**REPAIRED, "patient.died_on": "2023-01-01"}, {**SIDE, **VISIT})
    assert any(note.startswith("Of 1 patients on record") for note in report.notes)
    assert Identity.objects.get().patient.died_on is None


def test_many_numbers_cost_as_many_questions_as_few(cast: Cast) -> None:
    rows = [{**REPAIRED, "patient.hospital_number": f"H {number}"} for number in range(12)]
    taken_in(cast, *rows)
    record(Contact(knee=Knee.objects.latest("pk"), contacted_on=date(2020, 1, 1), source="phone"))

    def asked(numbers: int) -> int:
        with CaptureQueriesContext(connection) as queries:
            found = on_record(cast.unit, [f"H {number}" for number in range(numbers)])
        assert len(found) == numbers
        return len(queries)

    assert asked(12) == asked(1)


def test_nothing_on_record_is_asked_of_a_file_of_strangers(cast: Cast) -> None:
    assert on_record(cast.unit, ["nobody"]) == {}
    assert begun(cast, REPAIRED).report_sealed == ""
