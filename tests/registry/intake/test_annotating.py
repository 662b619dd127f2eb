"""The annotated file: its values as they came, problems at their cells, and nothing in it that runs."""

from collections.abc import Callable
from datetime import date
from io import BytesIO
from typing import Any

import pytest
from openpyxl import load_workbook

from registry.intake.file.annotating import annotated
from registry.intake.file.reading import read
from registry.intake.file.sheet import Value
from registry.intake.problem import Problem
from tests.registry.intake.sheets_made import text, with_cells, workbook

pytestmark = pytest.mark.any_engine

SIDE = Problem("list", 3, "B", "Side", "reft", "is no side.", "Correct it.")
DATE = Problem("list", 3, "C", "Operated", "2001", "is before birth.", "Correct either.")
WHOLE_ROW = Problem("list", 4, "", "", "", "This patient comes twice.", "Delete one row.")
ROWS = [["Nr", "Side", "Operated"], ["1", "R", "2021"], ["2", "reft", "2001"], ["2", "R", "2021"]]


def marked(content: bytes) -> dict[str, tuple[Any, str]]:
    """By place: the value and comment of every filled cell of the first sheet."""
    page = load_workbook(BytesIO(content)).worksheets[0]
    filled = (cell for row in page.iter_rows() for cell in row if cell.fill.fill_type)
    return {cell.coordinate: (cell.value, cell.comment.text if cell.comment else "") for cell in filled}


def test_each_problem_is_marked_at_its_cell_and_told_at_the_end_of_its_row() -> None:
    assert marked(annotated(text(ROWS), "list.csv", [SIDE, DATE, WHOLE_ROW])) == {
        "B3": ("reft", "is no side. Correct it."),
        "C3": ("2001", "is before birth. Correct either."),
        "D3": ("B (Side): is no side. Correct it.\nC (Operated): is before birth. Correct either.", ""),
        "D4": ("This patient comes twice. Delete one row.", ""),
    }


def test_two_problems_of_a_cell_share_its_comment_and_an_empty_cell_can_have_one() -> None:
    lacking = Problem("list", 2, "B", "Side", "", "is needed.", "Say it.")
    rows = [["Nr", "Side"], ["1", None], ["2", "R"]]

    found = marked(annotated(text(rows), "list.csv", [lacking, lacking]))

    assert found["B2"] == (None, "is needed. Say it.\nis needed. Say it.")


def test_a_problem_of_a_place_that_is_not_there_is_told_in_the_first_row() -> None:
    beyond = Problem("list", 99, "B", "Side", "x", "is no side.", "Correct it.")
    elsewhere = Problem("gone", 1, "", "", "", "Nothing is mapped.", "Say what it holds.")

    assert marked(annotated(text(ROWS), "list.csv", [beyond, elsewhere])) == {
        "D1": (
            "Problems\nlist, row 99, column B (Side): 'x' is no side. Correct it.\n"
            "Nothing is mapped. Say what it holds.",
            "",
        ),
    }


@pytest.mark.parametrize(
    "make",
    [
        lambda rows: text(rows, ";", "cp1252"),
        lambda rows: workbook({"Größe: 2019"[:4]: rows, "Second": [["x", 1.5, True, date(2021, 4, 3)]]}),
    ],
    ids=["text", "workbook"],
)
def test_every_value_comes_back_as_it_came(make: Callable[[list[list[str]]], bytes]) -> None:
    content = make([*ROWS, ["0012", "Weiß", "1.23E+05"], [" ", "true", "2021-04-03"]])

    back = read(annotated(content, "list.csv", [SIDE]), "list.xlsx")

    came = read(content, "list.csv")
    assert [sheet.rows for sheet in came] == [tuple(row[:-1] for row in sheet.rows) for sheet in back]
    assert [sheet.rows[0][-1] for sheet in back] == ["Problems"] * len(back)


DANGEROUS = ["=1+1", "=HYPERLINK(A1)", "+49 170", "-5", "@SUM(A1)", "#REF!", "=cmd|' /c calc'!A0"]


def test_text_that_a_spreadsheet_could_run_stays_text() -> None:
    content = annotated(
        text([["a", "b"], *([each, "x"] for each in DANGEROUS)], ";"),
        "list.csv",
        [Problem("list", 2, "A", "=a", "=1+1", "=is no number.", "+Correct it.")],
    )

    page = load_workbook(BytesIO(content)).worksheets[0]
    cells = [row[0] for row in page.iter_rows(min_row=2)]
    assert [(cell.value, cell.data_type, cell.quotePrefix) for cell in cells] == [
        (each, "s", True) for each in DANGEROUS
    ]
    assert (page["C2"].data_type, page["C2"].value) == ("s", "A (=a): =is no number. +Correct it.")


def test_formulas_and_errors_of_a_workbook_become_text_of_what_stands_there() -> None:
    content = with_cells(
        '<row r="1"><c r="A1"><f>B1*2</f></c><c r="B1"><f>1+1</f><v>2</v></c>'
        '<c r="C1" t="e"><v>#N/A</v></c></row>'
    )

    page = load_workbook(BytesIO(annotated(content, "x.xlsx", []))).worksheets[0]

    assert [(cell.value, cell.data_type) for cell in page[1]] == [
        ("=B1*2", "s"),
        (2, "n"),
        ("#N/A", "s"),
        ("Problems", "s"),
    ]


@pytest.mark.parametrize("file_name", ["a:b*c?.csv", "x" * 80 + ".csv", ".csv", "'.csv"])
def test_any_file_name_gives_a_sheet_that_can_be_opened(file_name: str) -> None:
    (sheet,) = read(annotated(text(ROWS), file_name, []), "back.xlsx")

    first: tuple[Value, ...] = (*ROWS[0], "Problems")
    assert sheet.rows[0] == first
