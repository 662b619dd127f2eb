"""Sheets as departments really keep them: each ends in right records, or in a refusal that names its cell."""

import re
from datetime import date
from decimal import Decimal

import pytest
from openpyxl import Workbook
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from registry.intake import files, work
from registry.intake.columns.mapping import DateOrder
from registry.models import ScoreResponse, Visit
from registry.telling import silently
from tests.registry.intake.bringing import Department, a_department, operations, refused, rows, tears, told
from tests.registry.intake.sheets_made import changed, text, workbook

pytestmark = pytest.mark.any_engine


@pytest.fixture
def department(db: None) -> Department:
    return a_department()


# Dates


def test_dates_written_in_six_ways_in_one_column_and_one_that_never_was(department: Department) -> None:
    days = [
        "13.04.2021",
        "2020-05-06",
        "May 7, 2019",
        date(2018, 3, 2),
        "3. Okt. 2017",
        "20160229",
        "31.02.2015",
    ]
    table = rows(*({"MRN": f"P{at}", "Op date": day} for at, day in enumerate(days)))
    report = department.bring(workbook({"List": table}))

    assert told("operated_on") == [
        ("P5", date(2016, 2, 29)),
        ("P4", date(2017, 10, 3)),
        ("P3", date(2018, 3, 2)),
        ("P2", date(2019, 5, 7)),
        ("P1", date(2020, 5, 6)),
        ("P0", date(2021, 4, 13)),
    ]
    assert refused(report) == [("List", 8, "E", "31.02.2015", "is no day of the calendar.")]


def test_dates_that_could_all_be_two_days_are_asked_not_guessed(department: Department) -> None:
    content = text(rows({"MRN": "P1", "Op date": "03/04/2021"}, {"MRN": "P2", "Op date": "05/06/2020"}))

    (asked,) = department.asked(department.begin(content, "list.csv"))
    assert (asked.kind, asked.header) == ("date_order", "Op date")
    assert asked.choices == (
        ("dmy", "Day first: 03/04/2021 is 2021-04-03"),
        ("mdy", "Month first: 03/04/2021 is 2021-03-04"),
    )
    with pytest.raises(work.QuestionsOpen, match="In which order are day, month and year"):
        work.rehearse(department.begin(content, "list.csv"), silently)
    department.bring(content, "list.csv", **{"Op date": {"date_order": DateOrder.MONTH_FIRST}})
    assert told("operated_on") == [("P2", date(2020, 5, 6)), ("P1", date(2021, 3, 4))]


def test_notes_where_dates_are_due(department: Department) -> None:
    table = rows(
        {"MRN": "P1", "Op date": "ca. 2019"},
        {"MRN": "P2", "Date of injury": "03/2021"},
        {"MRN": "P3", "Op date": "spring 2018"},
        {"MRN": "P4", "Op date": "2019-06"},
        *({"MRN": f"P{at}", "Op date": f"2021-05-{at}"} for at in range(10, 14)),
    )
    report = department.bring(text(table), "list.csv")

    assert told("injured_on", "injury_date_precision")[0] == ("P2", date(2021, 3, 1), "month")
    assert len(operations()) == 5
    assert refused(report) == [
        ("list", 2, "E", "ca. 2019", "is no exact date."),
        ("list", 4, "E", "spring 2018", "is no date."),
        ("list", 5, "E", "2019-06", "tells the month alone."),
    ]


def test_years_of_two_digits(department: Department) -> None:
    table = rows(
        {"MRN": "P1", "DOB": "17.05.55", "Op date": "13.04.21"},
        {"MRN": "P2", "DOB": "17.05.03", "Op date": "23.04.19"},
        {"MRN": "P3", "DOB": "24.12.24", "Op date": "01.02.98"},
    )

    assert not department.bring(text(table), "list.csv").problems
    assert told("knee.patient.born_on", "operated_on") == [
        ("P3", date(1924, 12, 24), date(1998, 2, 1)),
        ("P2", date(2003, 5, 17), date(2019, 4, 23)),
        ("P1", date(1955, 5, 17), date(2021, 4, 13)),
    ]


def test_a_year_of_birth_alone_is_kept_as_no_more_than_that(department: Department) -> None:
    """The record holds 1 July of a year that alone is known, and that it is not exact."""
    table = rows({"MRN": "P1", "DOB": "1987"}, {"MRN": "P2"})

    assert not department.bring(text(table), "list.csv").problems
    assert told("knee.patient.born_on", "knee.patient.born_on_is_exact") == [
        ("P1", date(1987, 7, 1), False),
        ("P2", date(1995, 5, 17), True),
    ]


def test_an_operation_before_its_patient_was_born(department: Department) -> None:
    report = department.bring(text(rows({"MRN": "P1", "DOB": "2022-01-01"}, {"MRN": "P2"})), "list.csv")

    assert told() == [("P2",)]
    assert refused(report) == [("list", 2, "E", "2021-04-13", "13 Apr 2021 lies before the patient's birth.")]


def test_a_workbook_that_counts_days_from_1904(department: Department) -> None:
    def arranged(book: Workbook) -> None:
        book.epoch = CALENDAR_MAC_1904

    table = rows({"DOB": date(1995, 5, 17), "Op date": date(2021, 4, 13)})

    assert not department.bring(workbook({"List": table}, arranged)).problems
    assert told("knee.patient.born_on", "operated_on") == [("P-0042", date(1995, 5, 17), date(2021, 4, 13))]


# Numbers, words and names


def test_german_with_semicolons_decimal_commas_and_an_old_encoding(department: Department) -> None:
    names = "Pat.-Nr.;Geschlecht;Geburtsdatum;Seite;OP-Datum;Operateur;Meniskus;Rissform;Risslänge (cm)"
    table = (
        f"{names};Nahttechnik;BMI\n"
        "0042;w;17.05.1995;re;13.04.2021;Oak;medial;Korbhenkel;1,5;all-inside;27,5\n"
        "0043;m;1.2.1990;li;6.5.2020;Elm;lateral;radiär;2,0;outside-in;31,0\n"
    )

    assert not department.bring(table.encode("cp1252"), "Nähte.csv").problems
    assert told("knee.patient.sex", "knee.side", "operated_on", "lead_surgeon.code", "bmi") == [
        ("0043", "male", "left", date(2020, 5, 6), "elm", Decimal("31.0")),
        ("0042", "female", "right", date(2021, 4, 13), "oak", Decimal("27.5")),
    ]
    assert tears() == [
        ("lateral", "", "radial", 20, "outside_in"),
        ("medial", "", "bucket_handle", 15, "all_inside"),
    ]


def test_text_in_utf_16_with_tabs(department: Department) -> None:
    assert not department.bring(text(rows({"MRN": "Ä-1"}), "\t", "utf-16"), "list.txt").problems
    assert told("lead_surgeon.code") == [("Ä-1", "oak")]


def test_millimetres_and_centimetres_in_one_column(department: Department) -> None:
    lengths = ["12 mm", "1,5 cm", "18mm", "2 cm", "25", "30 cm"]
    table = rows(
        *(
            {"MRN": f"P{at}", "Length": each, "Op date": f"2021-04-{13 + at}"}
            for at, each in enumerate(lengths)
        )
    )
    report = department.bring(text(table, ";"), "list.csv")

    assert [length for _, _, _, length, _ in tears()] == [12, 15, 18, 20, 25]
    assert [(row, column, value) for _, row, column, value, _ in refused(report)] == [(7, "J", "30 cm")]


def test_formulas_with_and_without_a_stored_result(department: Department) -> None:
    formulas = rows(
        {"MRN": "P1", "Op date": "=DATE(2021,4,13)"},
        {"MRN": "P2", "BMI": "=70/1.6^2"},
        {"MRN": "P3", "BMI": "=A1/0"},
    )

    def worked_out(xml: str) -> str:
        """Its results as a spreadsheet stores them beside the formulas, but for the first."""
        xml = re.sub(r"(<f>70/1.6\^2</f>)<v ?(/>|></v>)", r"\1<v>27.34375</v>", xml)
        return re.sub(r"<c ([^>]*)>(<f>A1/0</f>)<v ?(/>|></v>)", r'<c \1 t="e">\2<v>#DIV/0!</v>', xml)

    report = department.bring(changed(workbook({"List": formulas}), "xl/worksheets/sheet1.xml", worked_out))

    assert told("bmi") == [("P2", Decimal("27.3"))]
    assert refused(report) == [
        ("List", 2, "E", "=DATE(2021,4,13)", "It holds a formula whose result is not stored in the file."),
        ("List", 4, "J", "#DIV/0!", "Its formula divides by nothing."),
    ]


def test_hospital_numbers_that_a_spreadsheet_shortened(department: Department) -> None:
    def arranged(book: Workbook) -> None:
        book.active["A4"].number_format = "000000"

    typed = ["000123", 4711, 815, "1.23E+05", 1.23456789012345e17]
    report = department.bring(workbook({"List": rows(*({"MRN": number} for number in typed))}, arranged))

    shortened = "is a number shortened by a spreadsheet."
    lost = "has fewer digits than the 6 of the others: it may have lost zeros in front."
    assert told() == [("000123",), ("000815",)]
    assert refused(report) == [
        ("List", 3, "A", "4711", lost),
        ("List", 5, "A", "1.23E+05", shortened),
        ("List", 6, "A", "1.23456789012345e+17", shortened),
    ]


def test_sides_in_three_languages(department: Department) -> None:
    typed = ["R", "L", "re", "li", "rechts", "links", "Rt.", "Left knee"]
    table = rows(
        *({"MRN": f"P{at}", "Side": side, "Op date": f"2021-04-{13 + at}"} for at, side in enumerate(typed))
    )

    assert not department.bring(text(table), "list.csv").problems
    assert [side for _, side in told("knee.side")] == ["right", "left"] * 4


def test_places_in_the_words_of_theatre_notes(department: Department) -> None:
    typed = ["PHMM", "post horn med", "Med. Hinterhorn", "AHLM", "back, inner side"]
    table = rows(*({"MRN": f"P{at}", "Meniscus": place} for at, place in enumerate(typed)))
    table[0][table[0].index("Meniscus")] = "Place"
    content = text(table, ";")

    (asked,) = department.asked(department.begin(content, "list.csv"))
    assert (asked.kind, asked.values) == ("value", (("back, inner side", 1),))
    meanings = {"back, inner side": "medial_posterior"}
    assert not department.bring(content, "list.csv", Place={"meanings": meanings}).problems
    assert [each[:2] for each in tears()] == [
        *[("medial", "posterior")] * 3,
        ("lateral", "anterior"),
        ("medial", "posterior"),
    ]


def test_two_techniques_in_one_cell(department: Department) -> None:
    assert not department.bring(text(rows({"Technique": "all-inside + outside-in"})), "list.csv").problems
    assert tears() == [("medial", "", "bucket_handle", None, "all_inside", "outside_in")]


def test_surgeons_in_every_way_they_are_called_and_two_who_are_unknown(department: Department) -> None:
    typed = ["Dr. Oak", "OAK", "Prof. Oak", "elm", "J. Elm", "Oka"]
    content = text(rows(*({"MRN": f"P{at}", "Surgeon": name} for at, name in enumerate(typed))))

    (asked,) = department.asked(department.begin(content, "list.csv"))
    assert asked.values == (("J. Elm", 1), ("Oka", 1))
    assert asked.choices == (("elm", "Dr Elm"), ("oak", "Dr Oak"))
    department.bring(content, "list.csv", Surgeon={"meanings": {"j. elm": "elm", "oka": "oak"}})
    assert [code for _, code in told("lead_surgeon.code")] == ["oak", "oak", "oak", "elm", "elm", "oak"]


def test_a_total_of_a_score_without_its_items_is_refused_in_words(department: Department) -> None:
    table = rows({"Lysholm total": 87, "Score date": "2022-04-13"})
    report = department.bring(text(table), "list.csv")

    assert not ScoreResponse.objects.exists()
    assert (
        "list, column J (Lysholm total): left out. The record keeps the answers to single items and "
        "works totals out itself."
    ) in report.notes


# Rows, columns and sheets


def test_two_header_rows_with_merged_cells(department: Department) -> None:
    def merged(book: Workbook) -> None:
        for each in ("A1:C1", "D1:F1", "G1:J1"):
            book.active.merge_cells(each)

    above = ["Patient", None, None, "Operation", None, None, "Tear", None, None, None]
    names = ["Number", "Sex", "Born", "Side", "Date", "Surgeon", "Meniscus", "Type", "Length (mm)"]
    row = ["P1", "m", date(1990, 1, 2), "L", date(2020, 5, 6), "Oak", "lat", "radial", 12, "inside-out"]

    assert not department.bring(workbook({"List": [above, [*names, "Technique"], row]}, merged)).problems
    assert told("knee.patient.sex", "knee.patient.born_on", "knee.side", "operated_on") == [
        ("P1", "male", date(1990, 1, 2), "left", date(2020, 5, 6))
    ]
    assert tears() == [("lateral", "", "radial", 12, "inside_out")]


def test_totals_below_the_last_patient_are_no_patients(department: Department) -> None:
    sums = [["Total", *[None] * 8, 130], ["Mean", *[None] * 8, 65]]
    table = rows({"MRN": "P1", "Tourniquet (min)": 60}, {"MRN": "P2", "Tourniquet (min)": 70}) + sums
    report = department.bring(text(table), "list.csv")

    assert told("tourniquet_min") == [("P1", 60), ("P2", 70)]
    assert (report.rows, report.left_out) == (2, 2)
    assert report.notes == ("list: left out rows 4, 5: a total",)


def test_a_title_blank_rows_and_the_header_once_more(department: Department) -> None:
    header, one, two = rows({"MRN": "P1"}, {"MRN": "P2"})
    table = [["Meniscal repairs of the department"], [], header, one, [], [], header, two, [None] * 9]
    report = department.bring(text(table), "list.csv")

    assert told() == [("P1",), ("P2",)]
    assert (report.problems, report.left_out) == ((), 1)
    assert "list: left out row 7: the header once more" in report.notes


def test_one_number_with_two_dates_of_birth_is_never_one_patient(department: Department) -> None:
    other = {"MRN": "P1", "DOB": "1995-05-18", "Side": "left", "Op date": "2022-01-20"}
    report = department.bring(text(rows({"MRN": "P1"}, {"MRN": "P2"}, other)), "list.csv")

    assert told("knee.side") == [("P1", "right"), ("P2", "right")]
    assert refused(report) == [("list", 4, "C", "1995-05-18", "In row 2 it is 17 May 1995.")]


def test_both_knees_of_one_patient_and_a_row_typed_twice(department: Department) -> None:
    left = {"Side": "left", "Op date": "2022-01-20"}
    report = department.bring(text(rows({}, left, {}, left)), "list.csv")

    assert not report.problems
    assert told("knee.side") == [("P-0042", "right"), ("P-0042", "left")]
    assert len({each.knee.patient for each in operations()}) == 1


def test_tears_in_three_groups_of_columns(department: Department) -> None:
    names = [f"Tear {number} {what}" for number in (1, 2, 3) for what in ("location", "type", "technique")]
    one = ["medial posterior", "longitudinal", "all-inside", "lateral posterior", "radial", "inside-out"]
    two = ["medial posterior", "ramp", "all-inside", "lateral root", "root", "pull-out"]
    third = ["medial middle", "horizontal", "outside-in"]
    table = [
        ["MRN", "Sex", "DOB", "Side", "Op date", "Surgeon", *names],
        ["P1", "f", "1995-05-17", "R", "2021-04-13", "Oak", *one],
        ["P2", "m", "1991-05-17", "L", "2021-04-14", "Oak", *two, *third],
    ]

    assert not department.bring(text(table), "list.csv").problems
    assert tears() == [
        ("medial", "posterior", "longitudinal", None, "all_inside"),
        ("lateral", "posterior", "radial", None, "inside_out"),
        ("medial", "posterior", "ramp", None, "all_inside"),
        ("lateral", "root", "root", None, "pull_out"),
        ("medial", "middle", "horizontal", None, "outside_in"),
    ]
    assert [each.tears.count() for each in operations()] == [2, 3]


def test_one_row_for_each_tear_of_one_operation(department: Department) -> None:
    other = {"Meniscus": "lateral", "Tear type": "radial", "Technique": "outside-in"}
    report = department.bring(text(rows({}, other)), "list.csv")

    assert not report.problems
    assert told("knee.side") == [("P-0042", "right")]
    assert tears() == [
        ("medial", "", "bucket_handle", None, "all_inside"),
        ("lateral", "", "radial", None, "outside_in"),
    ]


def test_follow_up_in_a_second_sheet(department: Department) -> None:
    visits = [
        ["MRN", "Side", "Visit date", "Time point", "McMurray", "Flexion"],
        ["P1", "R", date(2022, 4, 20), "12 months", "neg", 140],
        ["P2", "L", date(2022, 5, 20), "12 months", "pos", 135],
        ["P9", "L", date(2022, 5, 20), "12 months", "pos", 120],
    ]
    operated = rows({"MRN": "P1"}, {"MRN": "P2", "Side": "left"})
    report = department.bring(workbook({"Operations": operated, "Follow-up": visits}))

    seen = Visit.objects.order_by("seen_on").values_list("knee__side", "seen_on", "mcmurray", "flexion_deg")
    assert list(seen) == [
        ("right", date(2022, 4, 20), False, 140),
        ("left", date(2022, 5, 20), True, 135),
    ]
    assert refused(report) == [
        ("Follow-up", 4, "", "", "The operation that it follows is neither in this file nor on record.")
    ]


def test_hidden_columns_and_rows_are_taken_in_too(department: Department) -> None:
    def hidden(book: Workbook) -> None:
        book.active.column_dimensions["D"].hidden = True
        book.active.row_dimensions[3].hidden = True

    content = workbook({"List": rows({"MRN": "P1"}, {"MRN": "P2", "Side": "left"})}, hidden)

    assert files.sheets_of(department.begin(content))[0].notes == (
        "Hidden columns were read too: D.",
        "Hidden rows were read too: 3.",
    )
    assert not department.bring(content).problems
    assert told("knee.side") == [("P1", "right"), ("P2", "left")]


def test_the_same_file_twice_changes_nothing(department: Department) -> None:
    content = workbook({"List": rows({"MRN": "P1"}, {"MRN": "P2"})})
    department.bring(content)
    again = department.begin(content)
    report = work.rehearse(again, silently)
    work.take_in(again, department.by, silently)

    assert (report.problems, report.new) == ((), 0)
    assert told() == [("P1",), ("P2",)]
