"""What rows say by their mapping: values by target, problems by place, totals and headers left out."""

from datetime import date
from decimal import Decimal
from typing import Any

import pytest

from registry.intake.columns.known import Known
from registry.intake.columns.mapping import Column, DateOrder, SheetMapping
from registry.intake.columns.meaning import LeftOut, MeantRow, MeantSheet, fixed_value, meant
from registry.intake.columns.rows import rows_of
from registry.intake.columns.unclear import Unclear
from registry.intake.file.sheet import Unreadable, Value
from tests.registry.intake.plain_sheets import a_sheet

pytestmark = pytest.mark.any_engine

KNOWN = Known.of([("oak", "Dr Ash Oak"), ("elm", "Dr Elm")])
DMY = DateOrder.DAY_FIRST
NUMBER = "patient.hospital_number"


def read(targets: list[str | Column], *rows: list[Value], fixed: dict[str, str] | None = None) -> MeantSheet:
    """Rows below a header that calls each column by its target."""
    columns = tuple(
        Column(place, each, each, date_order=DMY if each.endswith("_on") else DateOrder.UNSAID)
        if isinstance(each, str)
        else each
        for place, each in enumerate(targets)
    )
    sheet = a_sheet([column.header for column in columns], *rows)
    return meant(sheet, SheetMapping("Sheet1", columns=columns, fixed=fixed or {}), KNOWN)


def row(targets: list[str | Column], *cells: Value, fixed: dict[str, str] | None = None) -> MeantRow:
    (only,) = read(targets, list(cells), fixed=fixed)
    return only


def test_a_row_with_everything_in_it() -> None:
    found = row(
        [
            NUMBER,
            "knee.side",
            "operation.operated_on",
            "operation.lead_surgeon",
            "tear1.place",
            "operation.bmi",
        ],
        *("0012", "re", "3.4.2019", "Dr Oak", "PHMM", "24,5"),
    )
    assert found == MeantRow(
        "Sheet1",
        2,
        {
            NUMBER: "0012",
            "knee.side": "right",
            "operation.operated_on": date(2019, 4, 3),
            "operation.lead_surgeon": "oak",
            "operation.bmi": Decimal("24.5"),
            "tear1.meniscus": "medial",
            "tear1.radial_location": "posterior",
        },
        {
            NUMBER: 0,
            "knee.side": 1,
            "operation.operated_on": 2,
            "operation.lead_surgeon": 3,
            "operation.bmi": 5,
            "tear1.meniscus": 4,
            "tear1.radial_location": 4,
        },
    )


def test_a_problem_names_place_value_rule_and_mend_and_leaves_the_rest() -> None:
    found = row([NUMBER, "operation.bmi", "tear1.pattern"], "1", 130, "BH")
    assert found.values == {NUMBER: "1", "tear1.pattern": "bucket_handle"}
    assert [str(problem) for problem in found.problems] == [
        "Sheet1, row 2, column B (operation.bmi): '130' BMI 130 is outside 10 to 80. "
        "Correct it, or leave it empty if unknown."
    ]


def test_a_cell_without_a_value_is_a_problem_of_its_own() -> None:
    (problem,) = row(
        [NUMBER, "operation.bmi"], "1", Unreadable("#REF!", "Its formula gives an error.")
    ).problems
    assert (problem.value, problem.rule) == ("#REF!", "Its formula gives an error.")


def test_one_true_and_yes_are_different_cells_of_a_column() -> None:
    sheet = read([NUMBER, "operation.asa"], ["a", 1], ["b", True], ["c", 1.0])
    assert [each.values.get("operation.asa") for each in sheet] == [1, None, 1]


def test_rows_keep_their_numbers_and_empty_ones_are_skipped() -> None:
    sheet = read([NUMBER, "knee.side"], ["1", "re"], [None, None], ["2", "li"])
    assert [each.row for each in sheet.rows] == [2, 4]
    assert sheet.left_out == ()


@pytest.mark.parametrize(
    "word", ["Total", "Summe", "n = 2", "Gesamt:", "Mean", "Mittelwert", "Total 2019", "SD"]
)
def test_a_row_that_sums_up_is_left_out_and_told(word: str) -> None:
    sheet = read([NUMBER, "operation.bmi"], ["1", 24], ["2", 26], [word, 25])
    assert [each.row for each in sheet] == [2, 3]
    assert sheet.left_out == (LeftOut(4, f"a total ('{word}')"),)


def test_a_person_with_a_number_is_no_total_whatever_the_name() -> None:
    sheet = read(["patient.given_names", NUMBER], ["Max", "12"], ["Max", None])
    assert [each.row for each in sheet] == [2]
    assert [each.row for each in sheet.left_out] == [3]


def test_a_header_once_more_and_a_note_are_left_out_and_told() -> None:
    sheet = read([NUMBER, "knee.side"], ["1", "re"], [NUMBER, "knee.side"], ["* as far as known", None])
    assert [each.row for each in sheet] == [2]
    assert sheet.left_out == (LeftOut(3, "the header once more"), LeftOut(4, "a note"))


def test_a_column_without_target_says_nothing_and_a_total_is_told() -> None:
    columns: list[str | Column] = [NUMBER, Column(1, "Comments"), Column(2, "Lysholm", "score.lysholm.total")]
    sheet = read(columns, ["1", "fine", 85])
    assert sheet.rows[0].values == {NUMBER: "1"}
    assert sheet.rows[0].problems == ()
    assert sheet.notes == (
        "Sheet1, column C (Lysholm): left out. The record keeps the answers to single items and works totals "
        "out itself.",
    )


@pytest.mark.parametrize("header_row", [0, 9])
def test_a_sheet_said_to_have_no_header_or_one_below_its_end(header_row: int) -> None:
    columns = (Column(0, "A", NUMBER), Column(1, "B", "knee.side"))
    mapping = SheetMapping("Sheet1", header_row=header_row, columns=columns)
    found = meant(a_sheet(["1", "re"], ["2", "li"]), mapping, KNOWN)
    assert [each.row for each in found] == ([1, 2] if header_row == 0 else [])


# --- several columns of one thing -------------------------------------------------------------------


def test_a_place_agrees_with_the_column_of_the_meniscus() -> None:
    found = row([NUMBER, "tear1.place", "tear1.meniscus"], "1", "PHMM", "medial")
    assert found.values["tear1.meniscus"] == "medial"
    assert found.places["tear1.meniscus"] == 2
    assert found.problems == ()


def test_a_place_that_contradicts_another_column_is_a_problem_and_neither_counts() -> None:
    found = row([NUMBER, "tear1.place", "tear1.meniscus"], "1", "PHMM", "lateral")
    assert found.values == {NUMBER: "1", "tear1.radial_location": "posterior"}
    (problem,) = found.problems
    assert (problem.column, problem.value) == ("B", "PHMM")
    assert problem.rule == "says meniscus medial, and column C (tear1.meniscus) says lateral."


def test_an_injury_known_to_the_month() -> None:
    found = row([NUMBER, "operation.injured_on"], "1", "April 2019")
    assert found.values["operation.injured_on"] == date(2019, 4, 1)
    assert found.values["operation.injury_date_precision"] == "month"
    assert found.places["operation.injury_date_precision"] == 1


BIRTHS: list[str | Column] = [NUMBER, "patient.born_on", "patient.born_year", "operation.operated_on"]


@pytest.mark.parametrize(
    ("born_on", "born_year", "values", "problems"),
    [
        ("3.4.1985", None, {"patient.born_on": date(1985, 4, 3)}, 0),
        ("3.4.1985", 1985, {"patient.born_on": date(1985, 4, 3)}, 0),
        ("1985", 1985, {"patient.born_year": 1985}, 0),
        (None, "85", {"patient.born_year": 1985}, 0),
        ("3.4.1985", 1986, {}, 1),
        ("1985", 1986, {}, 1),
    ],
)
def test_date_and_year_of_birth_agree_or_neither_counts(
    born_on: Value, born_year: Value, values: dict[str, Any], problems: int
) -> None:
    found = row(BIRTHS, "1", born_on, born_year, "1.2.2015")
    assert {key: value for key, value in found.values.items() if "born" in key} == values
    assert len(found.problems) == problems


def test_a_birth_of_two_digits_lies_before_the_operation() -> None:
    assert row(BIRTHS, "1", "3.4.15", None, "1.2.2012").values["patient.born_on"] == date(1915, 4, 3)
    assert row(BIRTHS, "1", "3.4.05", None, "1.2.2012").values["patient.born_on"] == date(2005, 4, 3)
    assert row(BIRTHS, "1", None, "15", "1.2.2012").values["patient.born_year"] == 1915
    four_digits = row(BIRTHS, "1", "3.4.2015", None, "1.2.2012")
    assert four_digits.values["patient.born_on"] == date(2015, 4, 3)


# --- what holds for every row -----------------------------------------------------------------------


def test_what_is_fixed_holds_for_every_row_of_person_knee_and_operation() -> None:
    found = row([NUMBER], "1", fixed={"knee.side": "right", "operation.lead_surgeon": "oak"})
    assert found.values == {NUMBER: "1", "knee.side": "right", "operation.lead_surgeon": "oak"}
    assert found.places == {NUMBER: 0}


def test_what_is_fixed_of_a_tear_holds_only_where_the_row_tells_of_that_tear() -> None:
    fixed = {"tear1.treatment": "repaired", "tear2.treatment": "repaired"}
    sheet = read(
        [NUMBER, "tear1.pattern", "repair2.techniques"], ["1", "BH", None], ["2", None, "ai"], fixed=fixed
    )
    assert sheet.rows[0].values == {
        NUMBER: "1",
        "tear1.pattern": "bucket_handle",
        "tear1.treatment": "repaired",
    }
    assert sheet.rows[1].values == {
        NUMBER: "2",
        "repair2.techniques": ("all_inside",),
        "tear2.treatment": "repaired",
    }


def test_what_is_fixed_of_an_event_holds_only_where_the_row_tells_of_it() -> None:
    fixed = {"imaging.modality": "mri", "look.reason": "staged", "contact.source": "phone"}
    columns: list[str | Column] = [NUMBER, "imaging.imaged_on", "look1.vessels_seen"]
    sheet = read(columns, ["1", "3.4.2020", None], ["2", None, "ja"], fixed=fixed)
    assert "imaging.modality" in sheet.rows[0].values
    assert "look.reason" not in sheet.rows[0].values
    assert sheet.rows[1].values["look.reason"] == "staged"
    assert not any("contact.source" in each.values for each in sheet)


def test_what_a_row_says_itself_goes_before_what_is_fixed() -> None:
    found = row([NUMBER, "knee.side"], "1", "li", fixed={"knee.side": "right"})
    assert found.values["knee.side"] == "left"


def test_a_fixed_value_that_its_target_does_not_take_is_told_of_the_row() -> None:
    (problem,) = row([NUMBER], "1", fixed={"operation.bmi": "130"}).problems
    assert (problem.column, problem.header) == ("", "BMI")
    assert "outside 10 to 80" in problem.rule
    with pytest.raises(Unclear, match="outside 10 to 80"):
        fixed_value("operation.bmi", "130", KNOWN)


def test_a_fixed_value_may_be_a_code_that_is_another_surgeons_name() -> None:
    known = Known.of([("elm", "Ash Oak"), ("e2", "Hazel Elm")])
    assert known.surgeon("Elm") is None
    assert fixed_value("operation.lead_surgeon", "elm", known) == {"operation.lead_surgeon": "elm"}


def test_a_hospital_number_that_reads_like_a_count_is_a_patients() -> None:
    header: list[Value] = ["Hospital number", "Side", "BMI"]
    sheet = a_sheet(header, ["N 000123", "left", 24], ["N 2", None, 48])
    assert [row for row, _ in rows_of(sheet, 1, named=0)] == [2]
