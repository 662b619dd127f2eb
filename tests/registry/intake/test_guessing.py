"""What columns probably mean: by name and by content, never two to one target, nothing on thin evidence."""

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.intake.columns.guessing import guess, header_digest, remembered_header
from registry.intake.columns.headers import header_of
from registry.intake.columns.known import Known
from registry.intake.columns.mapping import Column, DateOrder, Mapping, SheetMapping
from registry.intake.columns.naming import meanings
from registry.intake.columns.targets import PARTS, TARGETS
from registry.intake.file.sheet import Sheet, Value
from tests.registry.intake.plain_sheets import a_sheet

pytestmark = pytest.mark.any_engine

BRIEFLY = settings(deadline=None, derandomize=True, max_examples=60)

KNOWN = Known.of([("oak", "Dr Ash Oak"), ("elm", "Dr Elm")])


def guessed(*rows: list[Value], name: str = "Sheet1") -> SheetMapping:
    return guess([a_sheet(*rows, name=name)], KNOWN, {}).sheets[0]


def targets(*rows: list[Value], name: str = "Sheet1") -> list[str]:
    return [column.target for column in guessed(*rows, name=name).columns]


def column(header: str, *cells: Value) -> Column:
    """What is guessed of one column that stands between two that are known."""
    rows: list[list[Value]] = [
        ["MRN", header, "Side"],
        *([f"A{i}", cell, "re"] for i, cell in enumerate(cells)),
    ]
    return guessed(*rows).columns[1]


@pytest.mark.parametrize(
    ("header", "cells", "target"),
    [
        ("OP-Datum", ["13.04.2019", "14.5.2020"], "operation.operated_on"),
        ("Fecha de la cirugía", ["13/04/2019"], "operation.operated_on"),
        ("Date d'intervention", [date(2019, 4, 3)], "operation.operated_on"),
        ("geb.", ["3.4.87", "1985"], "patient.born_on"),
        ("Geschlecht", ["m", "w"], "patient.sex"),
        ("Operateur", ["Dr Oak", "Elm"], "operation.lead_surgeon"),
        ("BMI", ["24,5", 30], "operation.bmi"),
        ("Nikotin", ["nie", "ja"], "operation.smoking"),
        ("Rissform", ["Korbhenkel", "radiär"], "tear1.pattern"),
        ("Tear 2 pattern", ["BH", "radial"], "tear2.pattern"),
        ("pattern_3", ["BH", "radial"], "tear3.pattern"),
        ("Lange (cm)", ["1,5"], "tear1.length_mm"),
        ("Zone", ["RR", "RW"], "tear1.vascular_zone"),
        ("Zone", [1, 2, 3], "tear1.rim_zone"),
        ("Meniskus", ["IM", "AM"], "tear1.meniscus"),
        ("Meniskus", ["PHMM", "AHLM"], "tear1.place"),
        ("Tear 2", ["PHMM", "AHLM"], "tear2.place"),
        ("Technique", ["all-inside + io", "pull-out"], "repair1.techniques"),
        ("2nd repair technique", ["ai"], "repair2.techniques"),
        ("Second look date", [date(2021, 4, 3)], "look.looked_on"),
        ("KOOS S1", [0, 4], "score.koos.S1"),
        ("Lysholm: pain", [25, 20], "score.lysholm.pain"),
        ("Lysholm", [85, 92], "score.lysholm.total"),
        ("KOOS pain", [85, 92], "score.koos.total"),
        ("Tegner", [4, 7], "score.tegner.level"),
        ("Tegner pre-injury", [4, 7], "operation.preinjury_tegner"),
    ],
)
def test_a_column_by_its_name_and_content(header: str, cells: list[Value], target: str) -> None:
    assert column(header, *cells).target == target


def test_a_column_named_in_full_is_that_target() -> None:
    for key, target in TARGETS.items():
        for name in (f"{PARTS[target.part]}: {target.label}", key):
            assert meanings(name)[0].target is target, name


@pytest.mark.parametrize(
    ("header", "cells"),
    [
        ("Comments", ["fine", "went home"]),
        ("OP-Datum", ["yes", "no"]),
        ("Pattern", ["13.04.2019", "14.5.2020"]),
        ("BMI", ["slim", "heavy"]),
        ("Visit 2 date", [date(2021, 4, 3)]),
        ("Mother's weight", [70, 80]),
        ("Patient happy with side effects of it", ["L", "R"]),
        ("xyz", ["re", "li"]),
        ("Datum", ["13.04.2019"]),
    ],
)
def test_nothing_is_guessed_on_thin_evidence(header: str, cells: list[Value]) -> None:
    assert column(header, *cells).target == ""


def test_a_date_alone_is_of_what_the_sheet_is_about() -> None:
    assert targets(["MRN", "Seite", "Datum", "Rissform"], ["1", "re", "13.4.2019", "BH"])[2] == (
        "operation.operated_on"
    )
    assert (
        targets(["MRN", "Seite", "Datum", "Erguss"], ["1", "re", "13.4.2019", "kein"])[2] == "visit.seen_on"
    )
    assert targets(["MRN", "Seite", "Datum"], ["1", "re", "13.4.2019"], name="Visits")[2] == "visit.seen_on"
    both = targets(["MRN", "Datum", "Erguss", "Rissform"], ["1", "13.4.2019", "kein", "BH"])
    assert both[1] == ""


def test_two_columns_never_share_a_target() -> None:
    assert targets(["MRN", "Side", "Seite"], ["1", "re", "li"]) == [
        "patient.hospital_number",
        "knee.side",
        "",
    ]
    assert targets(["MRN", "BMI", "BMI"], ["1", 24, 30]) == ["patient.hospital_number", "", ""]


def test_columns_of_one_name_are_tears_in_turn() -> None:
    found = targets(["MRN", "Pattern", "Length", "Pattern", "Length"], ["1", "BH", 12, "radial", 8])
    assert found[1:] == ["tear1.pattern", "tear1.length_mm", "tear2.pattern", "tear2.length_mm"]
    assert targets(["MRN", "Pattern", "Tear type"], ["1", "BH", "radial"])[2] == ""


def test_a_title_above_and_a_heading_over_three_columns() -> None:
    said = guessed(
        ["Meniscal repairs 2015 to 2020"],
        [],
        ["Hospital number", "Side", "Tear 1", None, None, "Tear 2", None, None, "Surgeon"],
        [None, None, "pattern", "zone", "length (cm)", "pattern", "zone", "length (cm)", None],
        ["1", "re", "BH", "RR", "1,5", "radial", "RW", "0,8", "Oak"],
    )
    assert said.header_row == 4
    assert [each.target for each in said.columns] == [
        "patient.hospital_number",
        "knee.side",
        *("tear1.pattern", "tear1.vascular_zone", "tear1.length_mm"),
        *("tear2.pattern", "tear2.vascular_zone", "tear2.length_mm"),
        "operation.lead_surgeon",
    ]
    assert said.columns[4].header == "Tear 1: length (cm)"
    assert said.columns[4].unit == "cm"


def test_headings_tell_the_dates_of_operation_visit_and_reoperation_apart() -> None:
    found = targets(
        ["Patient", None, "Operation", None, "Nachkontrolle", None, "Re-OP", None],
        ["Nummer", "Geschl.", "Datum", "Seite", "Datum", "Erguss", "Datum", "Art"],
        ["1", "w", "13.3.2018", "re", "13.9.2018", "nein", "3.4.2020", "Teilresektion"],
    )
    assert found == [
        *("patient.hospital_number", "patient.sex", "operation.operated_on", "knee.side"),
        *("visit.seen_on", "visit.effusion", "reoperation.operated_on", "reoperation1.action"),
    ]


def test_one_name_under_two_time_points_is_left_open() -> None:
    found = targets(
        ["MRN", "6 months", None, "12 months", None],
        [None, "effusion", "flexion", "effusion", "flexion"],
        ["1", "none", 120, "none", 130],
    )
    assert found == ["patient.hospital_number", "", "", "", ""]


def test_a_row_of_units_belongs_to_the_header() -> None:
    said = guessed(["MRN", "Length", "Tourniquet"], [None, "(cm)", "min"], ["1", "1,5", 60])
    assert said.header_row == 2
    assert [each.unit for each in said.columns] == ["", "cm", "min"]


def test_a_merged_heading_filled_over_its_columns_is_one_heading() -> None:
    said = guessed(["MRN", "Riss 1", "Riss 1"], ["MRN", "Typ", "Länge"], ["1", "BH", 12])
    assert [each.target for each in said.columns] == [
        "patient.hospital_number",
        "tear1.pattern",
        "tear1.length_mm",
    ]


def test_a_sheet_of_nothing_known_is_not_used() -> None:
    assert not guessed(["Ward", "Beds"], ["North", 12]).is_used
    assert not guess([Sheet("Empty", ())], KNOWN, {}).sheets[0].is_used
    assert not guessed(["MRN", "Side", "Remarks"], ["1", "re", "fine"]).is_used
    assert guess([], KNOWN, {}) == Mapping()


@pytest.mark.parametrize(
    ("cells", "order"),
    [
        (["13.04.2019", "03.04.2019"], DateOrder.DAY_FIRST),
        (["04/13/2019", "03/04/2019"], DateOrder.MONTH_FIRST),
        (["03.04.2019", "05.06.2020"], DateOrder.UNSAID),
        (["2019-04-03"], DateOrder.UNSAID),
        (["13/04/2019", "14/04/2019", "04/15/2019"], DateOrder.DAY_FIRST),
        (["13/04/2019", "04/15/2019"], DateOrder.UNSAID),
        (["87-04-03", "91-12-24"], DateOrder.YEAR_FIRST),
    ],
)
def test_the_order_of_dates_where_content_is_certain(cells: list[Value], order: DateOrder) -> None:
    assert column("OP-Datum", *cells).date_order == order


@pytest.mark.parametrize(
    ("header", "cells", "unit"),
    [
        ("Length (cm)", [12], "cm"),
        ("Length [mm]", [12], "mm"),
        ("Length mm", [12], "mm"),
        ("Length", [12, 25], "mm"),
        ("Length", ["1,5", "2,5"], "cm"),
        ("Length", [1, 2, 3], ""),
        ("Length", [1, 2, 3, 4, 5, 150], ""),
        ("Length", [12, 15, 20, 25, 150], "mm"),
        ("Length", [1.5, 2.5, 3, 4, 0.5, 20], "cm"),
        ("Length", ["1,5 cm"], "mm"),
        ("Second look: tear 1: healed share of length", [0.85, 1.0], "1"),
        ("Second look: tear 1: healed share of length", [85, 100], "%"),
    ],
)
def test_the_unit_by_name_or_by_what_is_possible(header: str, cells: list[Value], unit: str) -> None:
    assert column(header, *cells).unit == unit


@pytest.mark.parametrize(
    ("cells", "sign"), [(["24,5"], ","), (["24.5"], "."), (["24,5", "24.5"], ""), ([24.5], "")]
)
def test_the_decimal_sign_where_content_is_certain(cells: list[Value], sign: str) -> None:
    assert column("BMI", *cells).decimal == sign


def test_what_only_the_values_beside_it_settle() -> None:
    assert column("Sexo", "H", "M").meanings == {"m": "female"}
    assert column("Sex", "m", "w").meanings == {}
    assert column("Meniskus", "IM", "AM").meanings == {"am": "lateral"}
    assert column("Meniskus", "medial", "AM").meanings == {}
    assert column("McMurray", "+", "-").meanings == {"-": "no"}
    assert column("McMurray", "yes", "-").meanings == {}


def test_what_was_said_of_a_header_before_is_taken_over() -> None:
    rows: list[list[Value]] = [["Pat", "S", "When"], ["1", "re", "13.4.2019"], ["2", "li", "14.4.2019"]]
    sheet = a_sheet(*rows)
    assert remembered_header(sheet, {}) is None
    before = SheetMapping(
        "old name",
        header_row=1,
        columns=(
            Column(0, "Pat", "patient.hospital_number"),
            Column(1, "S", "knee.side", meanings={"beide": ""}),
            Column(2, "When", "operation.operated_on", date_order=DateOrder.DAY_FIRST),
        ),
        fixed={"operation.lead_surgeon": "oak"},
    )
    remembered = {header_digest(sheet, 1): before}
    said = guess([sheet], KNOWN, remembered).sheets[0]
    assert remembered_header(sheet, remembered) == header_digest(sheet, 1)
    assert said.sheet == "Sheet1"
    assert said.columns == before.columns
    assert said.fixed == before.fixed


def test_a_remembered_order_is_dropped_where_the_values_contradict_it() -> None:
    header: list[Value] = ["MRN", "Side", "OP date"]
    month_first = a_sheet(header, ["1", "re", "04/13/2019"])
    said = SheetMapping(
        "x", columns=tuple(Column(i, "", date_order=DateOrder.DAY_FIRST if i == 2 else "") for i in range(3))
    )
    again = guess([month_first], KNOWN, {header_digest(month_first, 1): said}).sheets[0]
    assert again.columns[2].date_order == DateOrder.UNSAID


def test_a_header_is_known_by_its_words_alone() -> None:
    one, two = a_sheet(["OP-Datum", "Seite"], [1, 2]), a_sheet(["Op Datum", " SEITE"], [3, 4], name="other")
    assert header_digest(one, 1) == header_digest(two, 1)
    assert header_digest(one, 1) != header_digest(a_sheet(["Seite", "OP-Datum"]), 1)


CELLS = st.one_of(st.none(), st.text(max_size=8), st.integers(), st.floats(), st.dates(), st.booleans())


@BRIEFLY
@given(st.integers(1, 4).flatmap(lambda width: st.lists(st.tuples(*[CELLS] * width), max_size=5)))
def test_any_sheet_gets_a_mapping_that_survives_as_json(rows: list[tuple[Value, ...]]) -> None:
    sheet = Sheet("any", tuple(rows))
    mapping = guess([sheet], KNOWN, {})
    assert Mapping.from_json(mapping.as_json()) == mapping
    assert len(mapping.sheets[0].columns) == sheet.width
    assert header_of(sheet).row <= len(rows)


def test_headings_filled_over_their_columns_do_not_outweigh_the_names_below() -> None:
    rows = (
        ["Patient", "Patient", "Patient", "Operation", "Operation", "Tear", "Tear", "Tear"],
        ["Hospital number", "Sex", "Date of birth", "Date", "mystery", "Pattern", "mm", "another"],
        ["1001", "f", date(1990, 5, 1), date(2021, 3, 4), "x", "radial", 12, "y"],
    )
    assert header_of(a_sheet(*rows)).row == 2


def test_a_sheet_that_came_back_with_its_problems_marked_is_known_again() -> None:
    header, row = ["Hospital number", "Side"], ["1001", "left"]
    marked = a_sheet([*header, "Problems"], [*row, "Mend this"])
    assert header_digest(marked, 1) == header_digest(a_sheet(header, row), 1)
