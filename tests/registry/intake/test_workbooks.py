"""Workbooks: the values that a person sees, what is none said to be none, and every choice told in a note."""

from datetime import date, datetime, time, timedelta

import pytest
from openpyxl import Workbook
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from registry.intake.file.reading import read
from registry.intake.file.sheet import Unreadable
from tests.registry.intake.sheets_made import only, refusal, with_cells, with_shared_texts, workbook

pytestmark = pytest.mark.any_engine


def test_values_keep_their_kind() -> None:
    values = [1, 2.5, True, " text ", "0012", "", date(2021, 4, 3), datetime(2021, 4, 3, 9, 30), time(9, 30)]
    rows = only(workbook({"List": [values, ["end"]]}), "x.xlsx").rows

    assert rows[0] == (
        1, 2.5, True, "text", "0012", None, date(2021, 4, 3), datetime(2021, 4, 3, 9, 30), time(9, 30),
    )  # fmt: skip
    assert type(rows[0][6]) is date


def test_numbers_read_as_their_format_shows_them() -> None:
    def arranged(book: Workbook) -> None:
        formats = {
            "A1": "00000000", "B1": "0%", "C1": "0.0%", "D1": "mmm yy", "E1": "[$-de-DE]mmm\\ yyyy;@",
            "F1": "[h]:mm", "G1": "dd/mm/yyyy", "H1": "General", "I1": "mm/yyyy", "J1": '0" days"',
        }  # fmt: skip
        for place, code in formats.items():
            book.active[place].number_format = code

    first = date(2021, 3, 1)
    content = workbook(
        {"List": [[12345, 0.85, 0.125, first, first, timedelta(hours=26.5), 0, 3.3000000000000003,
                   date(2021, 3, 17), 12]]},
        arranged,
    )  # fmt: skip

    assert only(content, "x.xlsx").rows[0] == (
        "00012345", "85%", "12.5%", "2021-03", "2021-03", "26:30:00",
        Unreadable("00:00:00", "It is formatted as a date, but holds less than one day."), 3.3,
        date(2021, 3, 17), 12,
    )  # fmt: skip


def _days(*numbers: object, base_1904: bool = False) -> tuple[object, ...]:
    """Numbers of days as a workbook that counts from 1900 or 1904 gives them as dates."""

    def arranged(book: Workbook) -> None:
        if base_1904:
            book.epoch = CALENDAR_MAC_1904
        for cell in book.active[1]:
            cell.number_format = "yyyy-mm-dd"

    return only(workbook({"List": [numbers]}, arranged), "x.xlsx").rows[0]


def test_days_count_from_1900_with_the_leap_day_that_never_was() -> None:
    """ECMA-376 part 1, 18.17.4.1: day 1 is 1 January 1900, day 60 a 29 February 1900, day 61 the 1 March."""
    assert _days(1, 59, 60, 61, 43831, 44197.5) == (
        date(1900, 1, 1),
        date(1900, 2, 28),
        Unreadable("29 February 1900", "Spreadsheets count this day, but it never was."),
        date(1900, 3, 1),
        date(2020, 1, 1),
        datetime(2021, 1, 1, 12),
    )


def test_days_count_from_1904_where_the_workbook_says_so() -> None:
    """The same days are 1,462 less in a workbook of 1904 (ECMA-376 part 1, 18.17.4.1)."""
    assert _days(43831 - 1462, 60, base_1904=True) == (date(2020, 1, 1), date(1904, 3, 1))


def test_a_number_beyond_all_dates_is_no_date() -> None:
    assert _days(20210403, 43831)[0] == Unreadable(
        "20210403", "It is formatted as a date, but no date has this number."
    )


def test_formulas_give_their_stored_result_or_say_that_there_is_none() -> None:
    row = (
        '<row r="1"><c r="A1"><f>1+1</f><v>2</v></c><c r="B1"><f>A1*2</f></c>'
        '<c r="C1" t="str"><f>""</f><v></v></c><c r="D1" t="e"><f>X!A1</f><v>#REF!</v></c>'
        '<c r="E1" t="str"><f>"R"</f><v>R</v></c><c r="F1"><f>NOW()</f><v></v></c>'
        '<c r="G1" t="e"><v>#N/A</v></c></row>'
    )
    not_stored = "It holds a formula whose result is not stored in the file."

    assert only(with_cells(row), "x.xlsx").rows[0] == (
        2,
        Unreadable("=A1*2", not_stored),
        None,
        Unreadable("#REF!", "Its formula points to a cell that is gone."),
        "R",
        Unreadable("=NOW()", not_stored),
        Unreadable("#N/A", "Its formula found no value."),
    )


def test_text_in_pieces_of_several_fonts_is_one_text_without_its_reading_aid() -> None:
    row = (
        '<row r="1"><c r="A1" t="inlineStr"><is><r><t xml:space="preserve">post. </t></r><r><rPr><b/></rPr>'
        '<t>horn</t></r><rPh sb="0" eb="1"><t>aid</t></rPh></is></c>'
        '<c t="inlineStr"><is><t>a_x000D_\nb</t></is></c><c t="inlineStr"/></row>'
    )

    assert only(with_cells(row), "x.xlsx").rows == (("post. horn", "a\nb"),)


def test_texts_that_cells_share_are_read_as_those_of_their_own() -> None:
    shared = "<si><t>\u00a0R </t></si><si><r><t>post. </t></r><r><t>horn</t></r></si><si><t> </t></si>"
    places = {"A": 0, "B": 1, "C": 2, "D": 0}
    cells = "".join(f'<c r="{column}1" t="s"><v>{at}</v></c>' for column, at in places.items())

    sheet = only(with_shared_texts(f'<row r="1">{cells}</row>', shared), "x.xlsx")

    assert sheet.rows == (("R", "post. horn", None, "R"),)


def test_missing_rows_and_cells_keep_the_places_of_the_others() -> None:
    rows = '<row r="2"><c r="B2"><v>1</v></c></row><row r="4"><c r="A4"><v>2</v></c></row><row r="9"/>'

    assert only(with_cells(rows), "x.xlsx").rows == ((None, None), (None, 1), (None, None), (2, None))


def test_merged_cells_are_filled_and_told() -> None:
    def arranged(book: Workbook) -> None:
        for each in ("B1:C1", "A3:A4", "D1:AZ1", "F9:G9"):
            book.active.merge_cells(each)

    content = workbook(
        {
            "List": [
                [None, "Tear 1", None, "Tear 2"],
                ["Nr", "place", "mm", "place"],
                [7, "a", 1, "b"],
                [None, "c", 2],
            ]
        },
        arranged,
    )
    sheet = only(content, "x.xlsx")

    assert sheet.rows == (
        (None, "Tear 1", "Tear 1", "Tear 2"),
        ("Nr", "place", "mm", "place"),
        (7, "a", 1, "b"),
        (7, "c", 2, None),
    )
    assert sheet.notes == ("Merged cells were filled with the value they show: B1:C1, D1:AZ1, A3:A4.",)


def test_hidden_sheets_rows_and_columns_are_read_and_told() -> None:
    def arranged(book: Workbook) -> None:
        book["Old"].sheet_state = "veryHidden"
        book["List"].column_dimensions["B"].hidden = True
        for row in (2, 3, 5, 90):
            book["List"].row_dimensions[row].hidden = True

    seen, hidden = read(
        workbook({"List": [[row, "x", "y"] for row in range(5)], "Old": [["a"]], "Empty": []}, arranged),
        "x.xlsx",
    )

    assert (len(seen.rows), hidden.rows) == (5, (("a",),))
    assert seen.notes == (
        "Hidden columns were read too: B.",
        "Hidden rows were read too: 2 to 3, 5.",
        "Empty sheets were left out: Empty.",
    )
    assert hidden.notes == ("This sheet is hidden in the workbook; it was read too.",)


def test_a_workbook_without_any_value_is_refused() -> None:
    assert "None of its sheets holds a value." in refusal(workbook({"A": [], "B": [[None, " "]]}), "x.xlsx")


def test_sheets_of_charts_are_passed_over() -> None:
    def arranged(book: Workbook) -> None:
        book.create_chartsheet("Chart")

    assert [sheet.name for sheet in read(workbook({"List": [["a"]]}, arranged), "x.xlsx")] == ["List"]
