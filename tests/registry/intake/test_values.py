"""Values of columns: codes, numbers, yes and no, names, and what is refused rather than guessed."""

from datetime import date
from decimal import Decimal
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.intake.columns.known import Known
from registry.intake.columns.mapping import Column, DateOrder, plain
from registry.intake.columns.targets import TARGETS, TOTAL_REFUSED, Kind
from registry.intake.columns.unclear import Unclear
from registry.intake.columns.value_words import (
    NO,
    NOT_KNOWN,
    PLACE_MENISCUS,
    PLACE_THIRD,
    PLACE_WORDS,
    WORDS,
    YES,
)
from registry.intake.columns.values import codes_by_word, distinct, pieces, reader
from registry.intake.columns.words import folded, typed
from registry.intake.file.sheet import Unreadable, Value

pytestmark = pytest.mark.any_engine

BRIEFLY = settings(deadline=None, derandomize=True, max_examples=60)

TODAY = date(2024, 6, 15)
KNOWN = Known.of([("oak", "Dr Ash Oak"), ("elm", "Prof. Rowan Elm"), ("elm-2", "Hazel Elm")])
CODED = [target for target in TARGETS.values() if target.kind in (Kind.CODE, Kind.CODES)]


def said(key: str, value: Value, **column: Any) -> Any:
    """What a value says of its own target: None for nothing."""
    return values(key, value, **column).get(key)


def values(key: str, value: Value, **column: Any) -> dict[str, Any]:
    read = reader(TARGETS[key], Column(0, "", key, **column), KNOWN, TODAY)
    return dict(read(value).values)


def refused(key: str, value: Value, **column: Any) -> Unclear:
    with pytest.raises(Unclear) as refusal:
        values(key, value, **column)
    assert refusal.value.rule.endswith(".")
    assert refusal.value.mend.endswith(".")
    return refusal.value


# --- codes ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("target", CODED, ids=lambda target: target.key)
def test_every_code_and_label_in_any_case_leads_to_its_code(target: Any) -> None:
    known = codes_by_word(target.choices)
    for code, label in target.choices:
        for word in (code, label, code.upper(), label.upper(), code.replace("_", " "), f" {label} "):
            assert known[folded(word)] == code


def test_no_list_of_words_hides_another_codes_name() -> None:
    for choices, words in WORDS.items():
        for code, label in choices:
            assert words.get(folded(code), code) == code
            assert words.get(folded(label), code) == code


def test_no_word_tells_two_places() -> None:
    told: dict[str, set[str]] = {}
    for (meniscus, ours), (third, theirs) in product(PLACE_MENISCUS.items(), PLACE_THIRD.items()):
        for one, other in product(ours, theirs):
            for word in (f"{one}{other}", f"{other}{one}", f"{one} {other}", f"{other} {one}"):
                told.setdefault(word, set()).add(f"{meniscus}_{third}")
    assert {word: places for word, places in told.items() if len(places) > 1} == {}
    assert all(PLACE_WORDS[word] in places for word, places in told.items())


def test_no_word_means_both_yes_and_no_or_nothing() -> None:
    assert not YES & NO
    assert not (YES | NO) & NOT_KNOWN
    assert {plain(word) for word in YES | NO | NOT_KNOWN} == YES | NO | NOT_KNOWN


@pytest.mark.parametrize(
    ("key", "word", "code"),
    [
        ("knee.side", "re", "right"),
        ("knee.side", "LI", "left"),
        ("knee.side", "L", "left"),
        ("knee.side", "derecha", "right"),
        ("knee.side", "gauche", "left"),
        ("patient.sex", "w", "female"),
        ("patient.sex", "männl.", "male"),
        ("patient.sex", "d", "other"),
        ("tear1.pattern", "Korbhenkel", "bucket_handle"),
        ("tear1.pattern", "bucket handle", "bucket_handle"),
        ("tear1.pattern", "asa de cubo", "bucket_handle"),
        ("tear1.pattern", "Längsriss", "longitudinal"),
        ("tear1.vascular_zone", "rot-rot", "RR"),
        ("tear1.vascular_zone", "red / white", "RW"),
        ("tear1.vascular_zone", "rr", "RR"),
        ("tear1.rim_zone", 2, 2),
        ("tear1.rim_zone", "Zone 3", 3),
        ("tear1.rim_zone", 1.0, 1),
        ("tear1.root_type", "2a", "2A"),
        ("passes1.suture_size", "2/0", "2-0"),
        ("passes1.suture_size", 2, "2"),
        ("operation.graft", "BTB", "patellar"),
        ("operation.acl", "intakt", "intact"),
        ("visit.time_point", "6 Monate", "6m"),
        ("visit.time_point", "2y", "24m"),
        ("visit.effusion", "none", "none"),
        ("visit.effusion", "-", None),
        ("complication.severity", "IIIa", "III"),
    ],
)
def test_words_that_people_give_to_codes(key: str, word: Value, code: object) -> None:
    assert said(key, word) == code


@pytest.mark.parametrize(
    ("word", "meniscus", "third"),
    [
        ("PHMM", "medial", "posterior"),
        ("phmm", "medial", "posterior"),
        ("post horn med", "medial", "posterior"),
        ("AHLM", "lateral", "anterior"),
        ("Hinterhorn IM", "medial", "posterior"),
        ("LM body", "lateral", "middle"),
        ("posterior horn of medial meniscus", "medial", "posterior"),
        ("medial_root", "medial", "root"),
        ("Lateral meniscus: posterior third", "lateral", "posterior"),
    ],
)
def test_a_place_in_one_word_tells_meniscus_and_third(word: str, meniscus: str, third: str) -> None:
    assert values("tear3.place", word) == {"tear3.meniscus": meniscus, "tear3.radial_location": third}


def test_an_unknown_word_is_refused_and_its_meaning_heeded() -> None:
    assert "Bucket-handle" in refused("tear1.pattern", "type B").rule
    assert said("tear1.pattern", " Type  b.", meanings={"type b": "bucket_handle"}) == "bucket_handle"
    assert values("tear1.pattern", "type b", meanings={"type b": ""}) == {}
    assert said("patient.sex", 1, meanings={"1": "male", "2": "female"}) == "male"
    assert said("tear1.rim_zone", "outer", meanings={"outer": "1"}) == 1


@pytest.mark.parametrize(
    ("cell", "codes"),
    [
        ("all-inside + outside-in", ("all_inside", "outside_in")),
        ("ai/io", ("all_inside", "inside_out")),
        ("AI, AI", ("all_inside",)),
        ("all inside und inside out", ("all_inside", "inside_out")),
        ("all-inside", ("all_inside",)),
        ("Posteromedial-portal suture hook; pull out", ("suture_hook", "pull_out")),
    ],
)
def test_several_codes_in_one_cell(cell: str, codes: tuple[str, ...]) -> None:
    assert said("repair1.techniques", cell) == codes


def test_one_unknown_piece_is_named_and_can_be_given_a_meaning() -> None:
    assert "'zip'" in refused("repair1.techniques", "ai + zip").rule
    meanings = {"zip": "outside_in"}
    assert said("repair1.techniques", "ai + zip", meanings=meanings) == ("all_inside", "outside_in")
    assert said("repair1.techniques", "ai + zip", meanings={"zip": ""}) == ("all_inside",)
    assert pieces("ai + zip", TARGETS["repair1.techniques"]) == ["ai", "zip"]


def test_a_date_in_a_column_of_codes_is_refused() -> None:
    assert "date" in refused("passes1.suture_size", date(2024, 2, 1)).rule


# --- yes and no, and nothing ------------------------------------------------------------------------


@pytest.mark.parametrize("word", ["yes", "Ja", "j", "x", "X", 1, 1.0, True, "sí", "oui", "pos.", "+"])
def test_ways_to_say_yes(word: Value) -> None:
    assert said("visit.mcmurray", word) is True


@pytest.mark.parametrize("word", ["no", "Nein", "n", 0, 0.0, False, "non", "neg."])
def test_ways_to_say_no(word: Value) -> None:
    assert said("visit.mcmurray", word) is False


def test_a_word_that_is_neither_yes_nor_no_is_refused() -> None:
    assert "neither yes nor no" in refused("visit.mcmurray", "maybe").rule
    assert "neither yes nor no" in refused("visit.mcmurray", 2).rule
    assert said("visit.mcmurray", "-", meanings={"-": "no"}) is False


@pytest.mark.parametrize("word", ["unknown", "k.A.", "K. A.", "n/a", "-", "?", "nd", "N.D."])
@pytest.mark.parametrize(
    "key", ["tear1.pattern", "visit.mcmurray", "operation.bmi", "operation.injured_on", "repair1.techniques"]
)
def test_a_word_for_not_known_says_nothing(key: str, word: str) -> None:
    assert values(key, word) == {}


def test_a_code_goes_before_a_word_for_not_known() -> None:
    assert said("operation.injury_date_precision", "unknown") == "unknown"
    assert said("repair1.augmentation", "none") == "none"


def test_short_words_may_be_names() -> None:
    assert said("patient.family_name", "Na") == "Na"
    assert values("patient.family_name", "n/a") == {}


# --- numbers --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "cell", "number", "column"),
    [
        ("operation.bmi", "24,5", "24.5", {}),
        ("operation.bmi", "24.5", "24.5", {}),
        ("operation.bmi", 24.2214, "24.2", {}),
        ("operation.bmi", 24.25, "24.3", {}),
        ("operation.bmi", "24.5 kg/m²", "24.5", {}),
        ("operation.bmi", "24.5 kg/m2", "24.5", {}),
        ("operation.hka_deg", "-3,5°", "-3.5", {}),
        ("operation.hka_deg", "\N{MINUS SIGN}3", "-3", {}),
        ("tear1.length_mm", "15", "15", {}),
        ("tear1.length_mm", 15.0, "15", {}),
        ("tear1.length_mm", "1,5 cm", "15", {}),
        ("tear1.length_mm", "1.5", "15", {"unit": "cm"}),
        ("tear1.length_mm", 2.3, "23", {"unit": "cm"}),
        ("tear1.length_mm", "15 mm", "15", {"unit": "cm"}),
        ("tear1.rim_width_mm", "0,3cm", "3", {}),
        ("operation.tourniquet_min", "1,5 h", "90", {}),
        ("rehabilitation.brace_weeks", "42 Tage", "6", {}),
        ("look1.healed_length_percent", 0.85, "85", {"unit": "1"}),
        ("look1.healed_length_percent", "85 %", "85", {"unit": "1"}),
        ("operation.injured_days_before", "1.234", "1234", {}),
        ("operation.injured_days_before", "1 234", "1234", {}),
        ("operation.injured_days_before", "1'234", "1234", {}),
        ("operation.asa", "ASA II", "2", {}),
        ("visit.lachman", "2+", "2", {}),
        ("visit.lachman", "Grade 1", "1", {}),
    ],
)
def test_a_number_in_the_unit_of_its_target(
    key: str, cell: Value, number: str, column: dict[str, Any]
) -> None:
    assert said(key, cell, **column) == Decimal(number)
    assert isinstance(said(key, cell, **column), int if TARGETS[key].kind is Kind.WHOLE else Decimal)


@BRIEFLY
@given(st.integers(100, 800), st.sampled_from(",."))
def test_a_decimal_comes_back_with_either_sign(tenths: int, sign: str) -> None:
    number = Decimal(tenths) / 10
    assert said("operation.bmi", f"{number:.1f}".replace(".", sign)) == number
    assert said("operation.bmi", f"{number:.1f}".replace(".", sign), decimal=sign) == number
    assert said("operation.bmi", float(number)) == number


@BRIEFLY
@given(st.integers(1, 60))
def test_a_length_in_centimetres_is_the_length_in_millimetres(length_mm: int) -> None:
    for cell in (f"{length_mm / 10:.1f} cm", f"{length_mm} mm", length_mm):
        assert said("tear2.length_mm", cell) == length_mm
    assert said("tear2.length_mm", length_mm / 10, unit="cm") == length_mm


@pytest.mark.parametrize(
    ("key", "cell", "rule"),
    [
        ("tear1.length_mm", "10-15", "is a range"),
        ("tear1.length_mm", "10 bis 15 mm", "is a range"),
        ("tear1.length_mm", "<3", "is no exact number"),
        ("tear1.length_mm", "ca. 10", "is no exact number"),
        ("tear1.length_mm", "ten", "is no number"),
        ("tear1.length_mm", "12.5", "is no whole number of mm"),
        ("tear1.length_mm", "12 inch", "'inch' behind its number"),
        ("tear1.length_mm", "12 kg/m2", "is given in kg/m2"),
        ("tear1.length_mm", "12 deg", "is given in deg"),
        ("tear1.length_mm", date(2024, 10, 15), "is no number"),
        ("tear1.length_mm", True, "is no number"),
        ("tear1.length_mm", 61, "Tear length 61 is outside 1 to 60."),
        ("tear1.length_mm", 0, "Tear length 0 is outside 1 to 60."),
        ("operation.bmi", "130", "BMI 130 is outside 10 to 80."),
        ("passes1.spacing_mm", "0.46", "Spacing 0.46 is outside 0.5 to 30."),
        ("operation.bmi", "1,2,3", "is no number"),
        ("operation.bmi", float("nan"), "is no number"),
        ("score.lysholm.pain", 30, "is none of 25, 20, 15, 10, 5, 0."),
        ("score.koos.S1", 5, "outside 0 to 4."),
    ],
)
def test_a_number_that_cannot_be_is_refused(key: str, cell: Value, rule: str) -> None:
    assert rule in refused(key, cell).rule


def test_a_number_with_two_readings_is_refused_until_the_sign_is_said() -> None:
    target = "operation.injured_days_before"
    assert said(target, "1,234") == 1234  # 1.234 is no whole number of days
    assert said("operation.bmi", "24,123") == Decimal("24.1")  # 24123 is no BMI
    assert "is no whole number" in refused(target, "1,234", decimal=",").rule


def test_a_total_is_refused_in_words() -> None:
    assert refused("score.lysholm.total", 85).mend == TOTAL_REFUSED


# --- hospital numbers, surgeons, dates, years ---------------------------------------------------------


@pytest.mark.parametrize(
    ("cell", "number"),
    [
        ("00123", "00123"),
        (123, "123"),
        (123.0, "123"),
        ("A-12/3", "A-12/3"),
        ("12e", "12e"),
        (10**14, "1" + "0" * 14),
    ],
)
def test_a_hospital_number_stays_as_typed(cell: Value, number: str) -> None:
    assert said("patient.hospital_number", cell) == number


@pytest.mark.parametrize("cell", ["1.23E+05", "1,23e+05", 1.5, 1e20, date(2024, 1, 1), "12345.0", True])
def test_a_hospital_number_that_a_spreadsheet_changed_is_refused(cell: Value) -> None:
    refused("patient.hospital_number", cell)


def test_a_number_shorter_than_the_others_with_zeros_in_front_is_refused() -> None:
    cells = ["00123", "00456", 789, "A1"]
    column = Column(0, "MRN", "patient.hospital_number")
    read = reader(TARGETS["patient.hospital_number"], column, KNOWN, TODAY, cells)
    assert dict(read("00123").values) == {"patient.hospital_number": "00123"}
    with pytest.raises(Unclear, match="lost zeros"):
        read(789)
    unpadded = reader(TARGETS["patient.hospital_number"], column, KNOWN, TODAY, ["123", "456", 78])
    assert dict(unpadded(78).values) == {"patient.hospital_number": "78"}


@pytest.mark.parametrize(
    "name",
    [
        "oak",
        "OAK",
        "Dr Oak",
        "Dr. Ash Oak",
        "Oak, A.",
        "Oak, Ash",
        "A. Oak",
        "A Oak",
        "Ash Oak",
        "Prof. Dr. med. Oak",
        "Oak A",
    ],
)
def test_a_surgeon_by_code_or_name_however_turned(name: str) -> None:
    assert said("operation.lead_surgeon", name) == "oak"


def test_a_name_of_two_surgeons_or_of_none_is_refused() -> None:
    assert "no surgeon of this unit" in refused("operation.lead_surgeon", "Birch").rule
    assert said("operation.lead_surgeon", "H. Elm") == "elm-2"
    assert said("operation.lead_surgeon", "Rowan Elm") == "elm"
    refused("operation.lead_surgeon", "Elm")  # both a code of one and the family name of two
    assert said("operation.lead_surgeon", "Elm", meanings={"elm": "elm-2"}) == "elm-2"


def test_a_code_reached_by_a_meaning_is_that_surgeon() -> None:
    assert said("operation.lead_surgeon", "the boss", meanings={"the boss": "elm-2"}) == "elm-2"


def test_a_month_alone_will_do_for_an_injury_only() -> None:
    assert values("operation.injured_on", "April 2021") == {
        "operation.injured_on": date(2021, 4, 1),
        "operation.injury_date_precision": "month",
    }
    assert "Enter the day" in refused("operation.operated_on", "April 2021").mend
    assert "year alone" in refused("patient.born_on", "April 1990").mend
    assert "month" in refused("operation.injured_on", "2021").mend


def test_a_year_alone_will_do_for_a_birth() -> None:
    assert values("patient.born_on", "1985") == {"patient.born_year": 1985}
    assert values("patient.born_on", 1985) == {"patient.born_year": 1985}
    assert "year alone" in refused("operation.operated_on", 2015).rule


@pytest.mark.parametrize(
    ("cell", "year"), [("1985", 1985), (1985.0, 1985), ("85", 1985), (date(1985, 1, 1), 1985)]
)
def test_a_year_of_birth(cell: Value, year: int) -> None:
    assert said("patient.born_year", cell) == year


@pytest.mark.parametrize("cell", ["1885", 2031, "185", "last"])
def test_a_year_of_birth_that_cannot_be(cell: Value) -> None:
    assert "is no year from 1900 to 2024" in refused("patient.born_year", cell).rule


def test_a_day_to_come_is_refused_in_the_words_of_the_record() -> None:
    refusal = refused("operation.operated_on", "2124-04-03")
    assert "lies in the future" in refusal.rule
    assert refusal.mend == "Correct the date."


def test_an_operation_planned_ahead_may_have_a_year_of_two_digits() -> None:
    order = DateOrder.DAY_FIRST
    assert said("operation.ligament_planned_on", "3.4.25", date_order=order) == date(2025, 4, 3)
    assert said("operation.operated_on", "3.4.25", date_order=order) == date(1925, 4, 3)


def test_a_cell_without_a_value_of_its_own_tells_why() -> None:
    assert refused("operation.bmi", Unreadable("#REF!", "Its formula gives an error.")).rule == (
        "Its formula gives an error."
    )


def test_different_values_are_counted_apart_even_where_they_are_equal() -> None:
    cells = [1, True, 1.0, "1", None, 1]
    assert sorted((type(value).__name__, count) for value, count in distinct(cells)) == [
        ("bool", 1),
        ("float", 1),
        ("int", 2),
        ("str", 1),
    ]


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, ""), (12.0, "12"), (12.5, "12.5"), (date(2021, 4, 3), "2021-04-03"), ("x", "x"), (True, "True")],
)
def test_a_value_as_it_would_be_typed(value: Value, text: str) -> None:
    assert typed(value) == text


CELLS = st.one_of(
    st.text(max_size=10),
    st.text("0123456789.,-/<>% mc+", max_size=10),
    st.integers(),
    st.floats(),
    st.booleans(),
    st.dates(),
    st.datetimes(),
    st.times(),
)


@BRIEFLY
@given(CELLS, st.sampled_from(sorted(TARGETS)))
def test_any_cell_is_read_into_what_its_target_holds_or_refused(cell: Value, key: str) -> None:
    target = TARGETS[key]
    try:
        found = values(key, cell)
    except Unclear:
        return
    allowed = {Kind.DATE: (date, int, str), Kind.DECIMAL: Decimal, Kind.YES_NO: bool, Kind.CODES: tuple}
    whole = (Kind.WHOLE, Kind.YEAR)
    expected = allowed.get(target.kind, int if target.kind in whole or target.codes_are_numbers else str)
    assert all(isinstance(value, expected) for value in found.values())  # type: ignore[arg-type]
    if target.kind in (Kind.WHOLE, Kind.DECIMAL) and found and target.low is not None:
        assert target.low <= found[key] <= (target.high or 0)
