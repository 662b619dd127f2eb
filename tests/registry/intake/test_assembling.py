"""Rows brought together: the same told twice is one, told differently is a problem that says where."""

from collections.abc import Mapping as MappingOf
from datetime import date
from typing import Any

from registry.intake.columns.mapping import Column, Mapping, SheetMapping
from registry.intake.columns.meaning import MeantRow
from registry.intake.file.sheet import Sheet
from registry.intake.people.assembling import Assembled, assembled
from registry.intake.people.placing import Places
from registry.intake.people.told import Operation
from registry.intake.problem import Problem

DAY = date(2019, 3, 1)
ADA: dict[str, Any] = {"patient.hospital_number": "H 1", "patient.sex": "female"}
OPERATION = {**ADA, "knee.side": "left", "operation.operated_on": DAY, "operation.lead_surgeon": "oak"}
MEDIAL = {"tear1.meniscus": "medial", "tear1.pattern": "radial"}
LATERAL = {"tear1.meniscus": "lateral", "tear1.pattern": "radial"}
LOOK = {"look.looked_on": date(2020, 2, 1), "look.reason": "staged"}


def told(*rows: MappingOf[str, Any], spoilt: MappingOf[int, str] | None = None) -> Assembled:
    """What rows from row 2 on tell; `spoilt` leads a row to the key that a problem of its own is of."""
    keys = list(dict.fromkeys(key for row in rows for key in row))
    columns = tuple(Column(place, key, key) for place, key in enumerate(keys))
    cells = [tuple(keys), *(tuple(str(row.get(key, "")) for key in keys) for row in rows)]
    places = Places((Sheet("List", tuple(cells)),), Mapping((SheetMapping("List", columns=columns),)))
    meant = []
    for number, row in enumerate(rows, 2):
        at = {key: keys.index(key) for key in row}
        found = MeantRow("List", number, row, at)
        if spoilt and number in spoilt:
            problem = places.problem(found, spoilt[number], "It is no value.", "Correct it.")
            found = MeantRow("List", number, row, at, (problem,))
        meant.append(found)
    return assembled(meant, places)


def only_operation(whole: Assembled) -> Operation:
    (person,) = whole.people.values()
    (operation,) = person.operations.values()
    return operation


def rules(whole: Assembled) -> list[tuple[int, str, str]]:
    return [(each.row, each.header, each.rule) for each in whole.problems]


def test_people_are_told_by_number_blind_to_spacing_and_case() -> None:
    whole = told({**OPERATION, **MEDIAL}, {**ADA, "patient.hospital_number": "h1", **LOOK})
    (person,) = whole.people.values()
    assert len(person.operations) == len(person.events) == 1
    assert whole.problems == []


def test_a_row_a_tear_is_one_operation_of_several() -> None:
    operation = only_operation(told({**OPERATION, **MEDIAL}, {**OPERATION, **LATERAL}))
    assert [torn.tear.values["meniscus"] for torn in operation.tears] == ["medial", "lateral"]


def test_three_tears_in_one_row() -> None:
    row = (
        OPERATION
        | MEDIAL
        | {"tear2.meniscus": "lateral", "tear3.meniscus": "lateral", "tear3.pattern": "root"}
    )
    assert len(only_operation(told(row)).tears) == 3


def test_the_same_told_twice_is_told_once() -> None:
    row = {**OPERATION, **MEDIAL, **LOOK, "look1.stable_on_probing": True}
    whole = told(row, row, {**ADA, **LOOK, "knee.side": "left"})
    (person,) = whole.people.values()
    assert len(only_operation(whole).tears) == 1
    (look,) = person.events.values()
    assert list(look.findings) == [1]
    assert whole.problems == []


def test_a_patient_told_otherwise_is_refused_at_the_later_row() -> None:
    whole = told({**OPERATION, **MEDIAL}, {**ADA, "patient.sex": "male", "knee.side": "left", **LOOK})
    assert rules(whole) == [(3, "patient.sex", "In row 2 it is female.")]
    (person,) = whole.people.values()
    assert person.patient.values["sex"] == "female"
    assert not person.events
    assert person.operations


def test_an_operation_told_otherwise_is_refused_whole() -> None:
    whole = told({**OPERATION, **MEDIAL, "operation.asa": 1}, {**OPERATION, **MEDIAL, "operation.asa": 2})
    assert rules(whole) == [(3, "operation.asa", "In row 2 it is 1.")]
    refused_by = only_operation(whole).refused_by
    assert refused_by is not None
    assert refused_by.row == 3


def test_an_event_told_otherwise_is_refused_at_the_later_row() -> None:
    row = {**ADA, "knee.side": "left", **LOOK}
    whole = told({**OPERATION, **MEDIAL}, row, {**row, "look.reason": "symptoms"})
    assert rules(whole) == [(4, "look.reason", "In row 3 it is staged.")]
    (look,) = next(iter(whole.people.values())).events.values()
    assert look.thing.values["reason"] == "staged"


def test_a_tear_told_in_fewer_words_may_be_another_one() -> None:
    whole = told({**OPERATION, **MEDIAL}, {**OPERATION, **MEDIAL, "tear1.length_mm": 12})
    assert [(row, rule[:30]) for row, _, rule in rules(whole)] == [(3, "It may be the tear of row 2, t")]
    assert only_operation(whole).refused_by is not None


def test_a_refused_row_spoils_its_operation_only_if_it_tells_more_of_it() -> None:
    """A long list repeats the operation at each visit: a mistyped visit costs that visit."""
    visit = {**OPERATION, **MEDIAL, "visit.seen_on": date(2019, 9, 2), "visit.flexion_deg": 130}
    whole = told(visit, {**visit, "visit.seen_on": date(2020, 9, 2)}, spoilt={3: "visit.flexion_deg"})
    assert only_operation(whole).refused_by is None
    other_tear = {**OPERATION, **LATERAL}
    assert only_operation(told(visit, other_tear, spoilt={3: "patient.sex"})).refused_by is not None
    same_tear = {**OPERATION, **MEDIAL}
    assert only_operation(told(visit, same_tear, spoilt={3: "tear1.length_mm"})).refused_by is not None


def test_findings_go_by_the_tears_of_their_own_row() -> None:
    healed = {"look1.healed_length_percent": 100, **LOOK}
    whole = told({**OPERATION, **MEDIAL}, {**OPERATION, **LATERAL, **healed})
    (look,) = next(iter(whole.people.values())).events.values()
    assert list(look.findings) == [2]
    assert look.findings[2].is_numbered


def test_a_finding_of_a_tear_that_its_row_does_not_tell() -> None:
    whole = told({**OPERATION, **MEDIAL, **LOOK, "look2.healed_length_percent": 100})
    assert rules(whole) == [(2, "look2.healed_length_percent", "The row tells no tear 2.")]


def test_days_from_the_injury_make_its_date() -> None:
    operation = only_operation(told({**OPERATION, **MEDIAL, "operation.injured_days_before": 28}))
    assert operation.thing.values["injured_on"] == date(2019, 2, 1)


def test_what_a_row_has_to_say() -> None:
    nobody = {key: value for key, value in OPERATION.items() if key != "patient.hospital_number"}
    sideless = {key: value for key, value in OPERATION.items() if key != "knee.side"}
    dayless = {key: value for key, value in OPERATION.items() if key != "operation.operated_on"}
    event = {**ADA, "knee.side": "left", "look.reason": "staged"}
    whole = told({**nobody, **MEDIAL}, {**sideless, **MEDIAL}, {**dayless, **MEDIAL}, event)
    assert [(each.row, each.rule) for each in whole.problems] == [
        (2, "The row does not say whose it is."),
        (3, "The row tells an operation, but not which knee."),
        (4, "The row tells an operation, but not on which day."),
        (5, "A second look is told, but not its day (date of second look)."),
    ]
    assert all(isinstance(each, Problem) and each.mend for each in whole.problems)


def test_each_instrument_is_an_answer_of_its_own() -> None:
    scores = {
        "score.answered_on": date(2019, 9, 2),
        "score.lysholm.limp": 5,
        "score.lysholm.pain": 25,
        "score.tegner.level": 4,
    }
    whole = told({**OPERATION, **MEDIAL, **scores})
    answers = {
        key[3]: each.thing.values["items"] for key, each in next(iter(whole.people.values())).events.items()
    }
    assert answers == {"lysholm": {"limp": 5, "pain": 25}, "tegner": {"level": 4}}
