"""What is asked before a file can be rehearsed, and that an answer ends the question."""

from dataclasses import replace

import pytest

from registry.intake.columns.content import two_numbers
from registry.intake.columns.guessing import guess
from registry.intake.columns.known import Known
from registry.intake.columns.mapping import Column, DateOrder, Mapping, SheetMapping, plain
from registry.intake.columns.questions import Question, QuestionKind, questions
from registry.intake.columns.targets import Kind, Target
from registry.intake.file.sheet import Unreadable, Value
from tests.registry.intake.plain_sheets import a_sheet

pytestmark = pytest.mark.any_engine

KNOWN = Known.of([("oak", "Dr Ash Oak"), ("elm", "Dr Elm")])
OPERATION = {"knee.side": "left", "operation.operated_on": "2020-01-01", "operation.lead_surgeon": "oak"}
IDENTIFIED = ("MRN", "patient.hospital_number")


def asked(target: str, *cells: Value, known: Known = KNOWN, **column: object) -> list[Question]:
    """What is asked of one column of a sheet that lacks nothing else."""
    mapping = mapped(target, **column)
    return questions([a_sheet(["MRN", "X"], *(["1", cell] for cell in cells))], mapping, known)


def mapped(target: str, **column: object) -> Mapping:
    part = target.partition(".")[0]
    fixed = {**OPERATION, **NEEDED.get(part, {})}
    fixed.pop(target, None)
    columns = (Column(0, *IDENTIFIED), Column(1, "X", target, **column))  # type: ignore[arg-type]
    return Mapping((SheetMapping("Sheet1", columns=columns, fixed=fixed),))


TEAR = {"tear1.meniscus": "medial", "tear1.pattern": "radial"}
NEEDED = {
    "tear1": {**TEAR, "tear1.treatment": "left"},
    "repair1": TEAR,
    "visit": {"visit.seen_on": "2021-01-01"},
    "look1": {"look.looked_on": "2021-01-01", "look.reason": "staged"},
}


def the_one(found: list[Question], kind: QuestionKind) -> Question:
    assert [each.kind for each in found] == [kind]
    assert found[0].words.endswith((".", "?"))
    return found[0]


def answered(mapping: Mapping, place: int, **answer: object) -> Mapping:
    sheet = mapping.sheets[0]
    columns = tuple(replace(each, **answer) if each.place == place else each for each in sheet.columns)  # type: ignore[arg-type]
    return Mapping((replace(sheet, columns=columns),))


def test_dates_that_are_all_two_days_are_asked_with_what_each_order_makes_of_them() -> None:
    question = the_one(asked("operation.operated_on", "03/04/2019", "05/06/2019"), QuestionKind.DATE_ORDER)
    assert question.values == (("03/04/2019", 1), ("05/06/2019", 1))
    assert question.choices == (
        ("dmy", "Day first: 03/04/2019 is 2019-04-03"),
        ("mdy", "Month first: 03/04/2019 is 2019-03-04"),
    )
    assert asked("operation.operated_on", "03/04/2019", date_order=DateOrder.MONTH_FIRST) == []


def test_dates_in_two_orders_are_asked_though_each_is_certain() -> None:
    question = the_one(asked("operation.operated_on", "13/04/2019", "04/13/2019"), QuestionKind.DATE_ORDER)
    assert "two orders" in question.words


@pytest.mark.parametrize(
    "cell", ["13/04/2019", "2019-04-03", "05/05/2019", "April 2019", "", None, "unknown"]
)
def test_dates_that_are_one_day_or_none_are_not_asked(cell: Value) -> None:
    assert asked("operation.operated_on", cell) == []


def test_numbers_in_a_column_of_dates_are_asked_for_their_epoch() -> None:
    question = the_one(asked("operation.operated_on", 44289, 44290), QuestionKind.UNIT)
    assert question.choices[0] == ("d1900", "Days counted from 1900: 44289 is 2021-04-03")
    assert asked("operation.operated_on", 44289, unit="d1904") == []


def test_a_unit_is_asked_where_two_are_possible() -> None:
    question = the_one(asked("tear1.length_mm", 1, 2, 3), QuestionKind.UNIT)
    assert question.choices == (("mm", "mm"), ("cm", "cm"))
    assert asked("tear1.length_mm", 1, 2, 3, unit="cm") == []
    assert asked("tear1.length_mm", 12, 25) == []
    assert asked("tear1.length_mm", "1 mm", "2 cm") == []
    shares = the_one(asked("look1.healed_length_percent", 1, 0), QuestionKind.UNIT)
    assert shares.choices[1] == ("1", "shares of one (0.85 is 85 %)")


def test_a_decimal_sign_is_asked_where_both_numbers_are_possible() -> None:
    unlimited = Target("x.weight", "Weight", Kind.DECIMAL, "x", places=3)
    cells = [("1,234", 2), ("12,5", 1)]
    assert two_numbers(cells, unlimited, Column(0, "")) == [("1,234", 2)]
    assert two_numbers(cells, unlimited, Column(0, "", decimal=",")) == []
    # Of what the record keeps now, limits always leave one number alone.
    assert asked("operation.bmi", "24,123") == []
    assert asked("operation.injured_days_before", "1,234") == []


def test_unknown_values_are_asked_with_how_often_they_stand() -> None:
    question = the_one(asked("tear1.pattern", "type B", "type B", "radial", "type A"), QuestionKind.VALUE)
    assert question.values == (("type B", 2), ("type A", 1))
    assert ("bucket_handle", "Bucket-handle") in question.choices
    meanings = {"type b": "bucket_handle", "type a": ""}
    assert asked("tear1.pattern", "type B", "radial", "type A", meanings=meanings) == []


def test_unknown_pieces_of_a_cell_are_asked_one_by_one() -> None:
    question = the_one(asked("repair1.techniques", "ai + zip", "zip/zap", "io"), QuestionKind.VALUE)
    assert dict(question.values) == {"zip": 2, "zap": 1}
    assert asked("repair1.techniques", "ai + zip", meanings={plain("Zip"): "outside_in"}) == []


def test_unknown_surgeons_are_asked_with_the_surgeons_of_the_unit() -> None:
    question = the_one(asked("operation.lead_surgeon", "Dr Birch", "Oak"), QuestionKind.VALUE)
    assert question.values == (("Dr Birch", 1),)
    assert question.choices == (("oak", "Dr Ash Oak"), ("elm", "Dr Elm"))
    assert asked("operation.lead_surgeon", "Dr Birch", meanings={"dr birch": "elm"}) == []


def test_neither_yes_nor_no_is_asked() -> None:
    question = the_one(asked("visit.mcmurray", "maybe", "yes"), QuestionKind.VALUE)
    assert question.choices == (("yes", "Yes"), ("no", "No"))


def test_what_is_a_problem_of_a_cell_is_no_question() -> None:
    assert asked("tear1.pattern", Unreadable("#REF!", "Its formula gives an error.")) == []
    assert asked("operation.bmi", "10-15", "130", "fat") == []
    assert asked("operation.operated_on", "31.02.2019", "ca. 2019") == []


def missing(*keys: str, fixed: dict[str, str] | None = None) -> list[tuple[str, ...]]:
    columns = tuple(Column(place, key, key) for place, key in enumerate(keys))
    mapping = Mapping((SheetMapping("Sheet1", columns=columns, fixed=fixed or {}),))
    found = questions([a_sheet([*keys])], mapping, KNOWN)
    assert all(each.kind is QuestionKind.MISSING and each.place is None for each in found)
    return [tuple(code for code, _ in each.choices) for each in found]


def test_what_no_row_can_do_without_is_asked_by_what_the_sheet_says() -> None:
    number, side = "patient.hospital_number", "knee.side"
    assert missing(number, "patient.sex") == []
    assert missing("patient.sex") == [(number,)]
    assert missing(number, "end.ended_on") == [("end.reason",)]
    assert missing(number, "visit.effusion") == [(side,), ("visit.seen_on",)]
    assert missing(number, side, "contact.contacted_on") == [("contact.source",)]
    assert missing(number, side, "score.koos.S1") == [("score.answered_on",)]
    assert missing(number, side, "operation.bmi") == [("operation.operated_on",), ("operation.lead_surgeon",)]
    assert missing(number, side, "imaging1.healed") == [("imaging.imaged_on",), ("imaging.modality",)]


def test_a_tear_needs_its_own_fields_and_a_repair_its_technique() -> None:
    whole = ("patient.hospital_number", "knee.side", "operation.operated_on", "operation.lead_surgeon")
    assert missing(*whole, "tear2.length_mm") == [
        ("tear2.meniscus", "tear2.place"),
        ("tear2.pattern",),
        ("tear2.treatment",),
    ]
    assert missing(*whole, "tear1.place", "tear1.pattern", "repair1.rasped")[0][0] == "repair1.techniques"
    assert missing(*whole, "tear1.place", "tear1.pattern", "repair1.pull_out") == []


def test_what_holds_for_every_row_is_not_missing() -> None:
    whole = ("patient.hospital_number", "knee.side", "operation.operated_on")
    assert missing(*whole, fixed={"operation.lead_surgeon": "oak"}) == []


def test_a_total_alone_asks_for_nothing() -> None:
    assert missing("patient.hospital_number", "score.lysholm.total") == []


def test_a_lead_surgeon_on_one_sheet_will_do_for_the_file() -> None:
    sheets = [a_sheet(["a", "b", "c", "d"], name=name) for name in ("Operations", "More")]
    keys = ["patient.hospital_number", "knee.side", "operation.operated_on"]
    columns = tuple(Column(place, key, key) for place, key in enumerate(keys))
    led = (*columns, Column(3, "d", "operation.lead_surgeon"))
    one = Mapping((SheetMapping("Operations", columns=led), SheetMapping("More", columns=columns)))
    none = Mapping((SheetMapping("Operations", columns=columns), SheetMapping("More", columns=columns)))
    assert questions(sheets, one, KNOWN) == []
    assert [each.kind for each in questions(sheets, none, KNOWN)] == [QuestionKind.MISSING]


def test_a_target_of_two_columns_is_asked() -> None:
    columns = (Column(0, *IDENTIFIED), Column(1, "Sex", "patient.sex"), Column(2, "m/f", "patient.sex"))
    mapping = Mapping((SheetMapping("Sheet1", columns=columns),))
    question = the_one(questions([a_sheet(["MRN", "Sex", "m/f"])], mapping, KNOWN), QuestionKind.TWICE)
    assert question.choices == (("1", "Sex"), ("2", "m/f"))
    fixed = Mapping((SheetMapping("Sheet1", columns=columns[:2], fixed={"patient.sex": "male"}),))
    the_one(questions([a_sheet(["MRN", "Sex"])], fixed, KNOWN), QuestionKind.TWICE)


def test_a_sheet_that_is_not_used_asks_nothing() -> None:
    mapping = Mapping((SheetMapping("Sheet1", is_used=False, columns=(Column(0, "x", "patient.sex"),)),))
    assert questions([a_sheet(["x"], ["who knows"])], mapping, KNOWN) == []


def test_totals_and_repeated_headers_are_not_asked_about() -> None:
    rows: list[list[Value]] = [["MRN", "Side"], ["1", "re"], ["MRN", "Side"], ["Total", 2]]
    sheet = a_sheet(*rows)
    assert [each.kind for each in questions([sheet], guess([sheet], KNOWN, {}), KNOWN)] == []
