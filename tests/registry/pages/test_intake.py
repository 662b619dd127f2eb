"""Intake on the site: a file brought, its columns and values said, rehearsed, taken in, undone; nobody else.

The work runs here in the process of the test, inside its transaction; tests/browser/test_intake.py goes the
real way, with a worker of its own.
"""

import io
from datetime import date
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone
from openpyxl import load_workbook

from registry.intake import files, jobs
from registry.models import IndexProcedure, Intake
from registry.vocabulary import IntakeState
from tests.conftest import Cast
from tests.registry.intake.old_notes import REPAIRED, begun
from tests.registry.pages.entries import text
from tests.registry.pages.files_brought import (
    FIXED_SIDE,
    HEADER,
    OPENED,
    brought,
    columns_said,
    page_of,
    rehearsed,
    row,
    sheet,
)

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]


@pytest.fixture(autouse=True)
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jobs, "start", jobs.run)


# --- the whole way ---------------------------------------------------------------------------------


def test_from_the_file_to_the_record_and_back(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = brought(client, sheet(row(1), row(2, Pattern="fishmouth"), row(3)))
    assert "Patient: Hospital number" in page_of(client, intake)
    to = columns_said(client, intake)
    assert to.headers["Location"] == reverse("intake_values", args=[intake.uuid])
    asked = client.get(to.headers["Location"])
    assert "'fishmouth' means" in text(asked)
    [question] = asked.context["forms"]
    [(value, count, field)] = question.values
    assert (value, count) == ("fishmouth", 1)
    client.post(to.headers["Location"], {field.html_name: "horizontal"})
    assert "Nothing is open" in page_of(client, intake, "intake_values")
    assert not IndexProcedure.objects.filter(from_old_notes=True).exists()
    client.post(reverse("intake_rehearsal", args=[intake.uuid]))
    found = page_of(client, intake)
    assert "3 rows tell something" in found
    assert "risk in survival only from today on" in found
    client.post(reverse("confirm_intake", args=[intake.uuid]))
    assert "What it brought" in page_of(client, intake)
    operations = IndexProcedure.objects.filter(from_old_notes=True)
    assert sorted(operations.values_list("tears__pattern", flat=True)) == [
        "bucket_handle",
        "bucket_handle",
        "horizontal",
    ]
    undone = client.post(reverse("undo_intake", args=[intake.uuid]), {"reason": "Wrong file"}, follow=True)
    assert "Wrong file" in text(undone)
    assert not operations.exists()


def test_what_means_nothing_is_left_empty(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = brought(client, sheet(row(1, Sex="?!"), row(2)))
    columns_said(client, intake)
    address = reverse("intake_values", args=[intake.uuid])
    [question] = client.get(address).context["forms"]
    [(_, _, field)] = question.values
    client.post(address, {field.html_name: ""})
    assert len(client.get(address).context["forms"]) == 1
    client.post(address, {field.html_name: "-"})
    assert "Nothing is open" in page_of(client, intake, "intake_values")


def test_two_columns_of_one_target_are_asked_of(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = brought(client, sheet(row(1)))
    columns_said(client, intake, column_3_target="Patient: Hospital number")
    address = reverse("intake_values", args=[intake.uuid])
    kinds = {form.question.kind: form for form in client.get(address).context["forms"]}
    assert set(kinds) == {"missing", "twice"}
    assert "No column says: Knee: side" in page_of(client, intake, "intake_values")
    client.post(address, {kinds["twice"]["answer"].html_name: "0"})
    columns_said(client, intake, fixed_0_target="knee: side", fixed_0_value="links")
    assert "Nothing is open" in page_of(client, intake, "intake_values")
    said = files.mapping_of(Intake.objects.get(pk=intake.pk)).sheets[0]
    assert [column.target for column in said.columns][:4] == [
        "patient.hospital_number",
        "patient.sex",
        "patient.born_on",
        "",
    ]
    assert said.fixed == {"knee.side": "links"}


def test_a_column_and_every_row_that_say_the_same_are_asked_of(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = brought(client, sheet(row(1)))
    columns_said(client, intake, fixed_0_target="Knee: Side", fixed_0_value="right")
    address = reverse("intake_values", args=[intake.uuid])
    [form] = client.get(address).context["forms"]
    client.post(address, {form["answer"].html_name: "every-row"})
    said = files.mapping_of(Intake.objects.get(pk=intake.pk)).sheets[0]
    assert said.columns[3].target == ""
    assert said.fixed == {"knee.side": "right"}


def test_an_ambiguous_order_of_dates_is_asked_not_guessed(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = brought(client, sheet(row(1, Operated="03.04.2019"), row(2, Operated="05.06.2019")))
    columns_said(client, intake)
    address = reverse("intake_values", args=[intake.uuid])
    [form] = client.get(address).context["forms"]
    assert form.question.kind == "date_order"
    client.post(address, {form["answer"].html_name: "mdy"})
    client.post(reverse("intake_rehearsal", args=[intake.uuid]))
    client.post(reverse("confirm_intake", args=[intake.uuid]))
    days = IndexProcedure.objects.filter(from_old_notes=True).values_list("operated_on", flat=True)
    assert sorted(days) == [date(2019, 3, 4), date(2019, 5, 6)]


# --- columns ---------------------------------------------------------------------------------------


def test_sheets_are_said_one_by_one_and_can_be_left_out(cast: Cast) -> None:
    client = cast.client("surgeon")
    visits = [["Hospital no.", "Side", "Visit on"], ["Q-1", "L", date(2019, 10, 1)]]
    intake = brought(client, sheet(row(1), Visits=visits))
    to = columns_said(client, intake)
    assert to.headers["Location"].endswith("?sheet=2")
    columns_said(client, intake, number=2, is_used=False)
    assert [each.is_used for each in files.mapping_of(Intake.objects.get()).sheets] == [True, False]
    assert client.get(f"{reverse('intake_columns', args=[intake.uuid])}?sheet=3").status_code == 404


def test_a_sheet_of_notes_is_left_out_as_it_is(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = brought(client, sheet(row(1), Notes=[["Kept by the secretary"]]))
    assert "not used" in page_of(client, intake)
    assert columns_said(client, intake, number=2).status_code == 302
    assert columns_said(client, intake, number=2, is_used="on").status_code == 422


def test_another_row_of_the_header_names_the_columns_anew(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = brought(client, sheet(row(1), row(2)))
    to = columns_said(client, intake, header_row=2)
    assert to.headers["Location"].endswith("?sheet=1")
    said = files.mapping_of(Intake.objects.get()).sheets[0]
    assert (said.header_row, said.columns[0].header) == (2, "Q-1")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"column_0_target": "Shoe size"}, "'Shoe size' is nothing that a column can fill"),
        ({"header_row": 9}, "No row follows row 9"),
        ({"header_row": ""}, "Row of the header is missing"),
        (
            {f"fixed_{n}_{name}": said for n in (0, 1) for name, said in FIXED_SIDE.items()},
            "It is said above already",
        ),
        ({"fixed_0_target": "Knee: Side"}, "Both are needed"),
        ({"fixed_0_target": "Knee: Side", "fixed_0_value": "middle"}, "'middle' is none of: Left, Right"),
    ],
)
def test_what_cannot_be_is_said_at_its_field(cast: Cast, changes: dict[str, Any], words: str) -> None:
    client = cast.client("surgeon")
    intake = brought(client, sheet(row(1)))
    before = intake.mapping
    response = columns_said(client, intake, **changes)
    assert response.status_code == 422
    assert words in text(response)
    intake.refresh_from_db()
    assert intake.mapping == before


def test_how_a_column_is_written_is_asked_in_place(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = brought(client, sheet(row(1)))
    query = {"sheet": 1, "place": 7, "column-7-target": "tear 1: length (mm)"}
    response = client.get(
        reverse("intake_columns", args=[intake.uuid]), query, headers={"HX-Request": "true"}
    )
    assert "<html" not in response.content.decode()
    assert "Unit of Column H" in text(response)
    assert "no-store" in response.headers["Cache-Control"]


def test_the_next_file_with_this_header_comes_named(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = rehearsed(client, row(1))
    client.post(reverse("confirm_intake", args=[intake.uuid]))
    intake.refresh_from_db()
    assert intake.state == IntakeState.TAKEN_IN
    again = brought(client, sheet(row(2)))
    assert "as in an earlier file of this unit" in page_of(client, again)


# --- rehearsed and taken in ------------------------------------------------------------------------


def test_problems_are_told_by_place_a_hundred_a_page_and_left_out_only_when_ticked(cast: Cast) -> None:
    client = cast.client("surgeon")
    bad = [row(number, Operated=date(2099, 1, 1)) for number in range(2, 113)]
    intake = rehearsed(client, row(1), *bad)
    address = reverse("intake", args=[intake.uuid])
    first, second = (text(client.get(address, {"page": page})) for page in (1, 2))
    assert "111 problems" in first
    assert "1 to 100 of 111" in first
    assert "101 to 111 of 111" in second
    assert "lies in the future" in first
    refused = client.post(reverse("confirm_intake", args=[intake.uuid]), follow=True)
    assert "Some of it is refused" in text(refused)
    assert not IndexProcedure.objects.filter(from_old_notes=True).exists()
    client.post(reverse("confirm_intake", args=[intake.uuid]), {"leave_refused": "on"})
    assert IndexProcedure.objects.filter(from_old_notes=True).count() == 1


def test_the_file_comes_back_with_its_problems_marked(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = rehearsed(client, row(1), row(2, Operated=date(2099, 1, 1)))
    response = client.get(reverse("intake_annotated", args=[intake.uuid]))
    assert response.headers["Content-Disposition"] == 'attachment; filename="problems-marked.xlsx"'
    assert "no-store" in response.headers["Cache-Control"]
    page = load_workbook(io.BytesIO(response.content)).active
    assert page is not None
    assert page.cell(3, 1).value == "Q-2"
    assert page.cell(3, 5).comment
    assert "lies in the future" in page.cell(3, len(HEADER) + 1).value


def test_without_a_rehearsal_there_is_nothing_to_mark(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = brought(client, sheet(row(1)))
    assert "Rehearse it first" in page_of(client, intake, "intake_annotated")


def test_the_same_file_again_has_nothing_to_take_in(cast: Cast) -> None:
    client = cast.client("surgeon")
    client.post(reverse("confirm_intake", args=[rehearsed(client, row(1)).uuid]))
    page = page_of(client, rehearsed(client, row(1)))
    assert "Nothing in it is new" in page
    assert "Take in</button>" not in page


def test_what_was_built_on_is_not_undone_and_says_why(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = rehearsed(client, row(1))
    client.post(reverse("confirm_intake", args=[intake.uuid]))
    client.post(reverse("confirm_intake", args=[rehearsed(client, row(1, Operated=date(2020, 2, 2))).uuid]))
    page = page_of(client, intake)
    assert "It cannot be undone as a whole" in page
    refused = client.post(reverse("undo_intake", args=[intake.uuid]), {"reason": "Wrong"}, follow=True)
    assert "It cannot be undone" in text(refused)
    intake.refresh_from_db()
    assert intake.state == IntakeState.TAKEN_IN


def test_undoing_needs_a_reason(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = rehearsed(client, row(1))
    client.post(reverse("confirm_intake", args=[intake.uuid]))
    response = client.post(reverse("undo_intake", args=[intake.uuid]), {"reason": " "})
    assert response.status_code == 422
    assert "Reason is missing" in text(response)


def test_the_bar_asks_for_the_page_once_the_work_is_over(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = begun(cast, REPAIRED)
    Intake.objects.update(state=IntakeState.REHEARSING, step="Rehearsing", total=9, beat_at=timezone.now())
    address, asked = reverse("intake", args=[intake.uuid]), {"HX-Request": "true"}
    under_way = client.get(address, headers=asked)
    assert "Rehearsing: 0 of 9" in text(under_way)
    assert "Nothing was heard" not in text(under_way)
    Intake.objects.update(state=IntakeState.REHEARSED)
    assert client.get(address, headers=asked).headers["HX-Refresh"] == "true"


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ("waiting", "Nobody has taken it up"),
        ("rehearsing", "Nothing was heard"),
        ("taking_in", "Nothing was heard"),
    ],
)
def test_silent_work_is_told_of_and_goes_on(cast: Cast, state: str, words: str) -> None:
    client = cast.client("surgeon")
    intake = rehearsed(client, row(1))
    silent = timezone.now().replace(year=2020)
    Intake.objects.update(state=state, worker="gone", beat_at=silent, taken_in_by=cast.surgeon)
    assert words in page_of(client, intake)
    client.post(reverse("go_on_intake", args=[intake.uuid]))
    intake.refresh_from_db()
    assert intake.state == (IntakeState.TAKEN_IN if state == "taking_in" else IntakeState.REHEARSED)


def test_dropped_nothing_of_the_file_is_kept(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = rehearsed(client, row(1))
    page = text(client.post(reverse("drop_intake", args=[intake.uuid]), follow=True))
    assert "nothing of it is kept" in page
    intake.refresh_from_db()
    assert (intake.file_sealed, intake.report_sealed) == (None, "")
    for name in OPENED:
        assert "The file was dropped" in page_of(client, intake, name)
