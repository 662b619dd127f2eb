"""Intake on the site: a file brought, its columns and values said, rehearsed, taken in, undone; nobody else.

The work runs here in the process of the test, inside its transaction; tests/browser/test_intake.py goes the
real way, with a worker of its own.
"""

import io
from datetime import date
from typing import Any
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from openpyxl import Workbook, load_workbook

from registry.intake import files, jobs
from registry.models import IndexProcedure, Intake
from registry.pages.intake import upload
from registry.vocabulary import IntakeState
from tests.conftest import Cast
from tests.registry.intake.old_notes import REPAIRED, begun
from tests.registry.pages.entries import text

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

HEADER = ["Hospital no.", "Sex", "Born", "Side", "Operated on", "Surgeon", "Meniscus", "Pattern", "Technique"]
FIXED_SIDE = {"target": "Knee: Side", "value": "left"}
OPENED = ("intake", "intake_columns", "intake_values", "intake_annotated")
SENT = ("intake_rehearsal", "confirm_intake", "cancel_intake", "go_on_intake", "drop_intake", "undo_intake")


@pytest.fixture(autouse=True)
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jobs, "start", jobs.run)


def sheet(*rows: list[Any], header: list[str] = HEADER, **more: list[list[Any]]) -> SimpleUploadedFile:
    """A workbook with these rows below the header, and more sheets by name."""
    book = Workbook()
    first: Any = book.active
    first.title = "Repairs"
    for row in (header, *rows):
        first.append(row)
    for name, lines in more.items():
        page = book.create_sheet(name)
        for row in lines:
            page.append(row)
    written = io.BytesIO()
    book.save(written)
    return SimpleUploadedFile("Quince.xlsx", written.getvalue())


def row(number: int, **changes: Any) -> list[Any]:
    born, operated = date(1990, 1, 2), date(2019, 4, 2)
    usual = [f"Q-{number}", "f", born, "L", operated, "Dr Oak", "MM", "bucket", "all inside"]
    return [changes.get(name.split()[0], value) for name, value in zip(HEADER, usual, strict=True)]


def brought(client: Client, file: SimpleUploadedFile) -> Intake:
    response = client.post(reverse("new_intake"), {"file": file})
    assert response.status_code == 302, text(response)
    return Intake.objects.latest("pk")


def columns_said(client: Client, intake: Intake, number: int = 1, **changes: Any) -> Any:
    """Send the form of one sheet as it is shown, with changes by name of the field."""
    address = f"{reverse('intake_columns', args=[intake.uuid])}?sheet={number}"
    page = client.get(address).context["page"]
    shown = {field.html_name: field.value() for form in page.forms for field in form}
    sent = {name.replace("-", "_"): name for name in shown}
    posted = shown | {sent[name]: value for name, value in changes.items()}
    return client.post(address, {name: value for name, value in posted.items() if value not in (None, False)})


def page_of(client: Client, intake: Intake, name: str = "intake") -> str:
    response = client.get(reverse(name, args=[intake.uuid]), follow=True)
    assert response.status_code == 200
    return text(response)


def rehearsed(client: Client, *rows: list[Any]) -> Intake:
    intake = brought(client, sheet(*rows))
    columns_said(client, intake)
    client.post(reverse("intake_rehearsal", args=[intake.uuid]))
    intake.refresh_from_db()
    assert intake.state == IntakeState.REHEARSED, intake.told
    return intake


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
    intake = brought(client, sheet(row(1)))
    columns_said(client, intake, column_6_target="")
    client.post(reverse("intake_rehearsal", args=[intake.uuid]))
    client.post(reverse("confirm_intake", args=[intake.uuid]), {"leave_refused": "on"})
    again = brought(client, sheet(row(2)))
    remembers = "as in an earlier file of this unit" in page_of(client, again)
    intake.refresh_from_db()
    assert remembers is (intake.state == IntakeState.TAKEN_IN)


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


# --- the file comes in -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("old.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "old .xls kind"),
        ("paper.pdf", b"%PDF-1.7 ...", "It is a PDF"),
        ("nothing.csv", b"", "It is empty"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_in_words(
    cast: Cast, name: str, content: bytes, words: str
) -> None:
    response = cast.client("surgeon").post(reverse("new_intake"), {"file": SimpleUploadedFile(name, content)})
    assert response.status_code == 422
    assert words in text(response)
    assert not Intake.objects.exists()


def test_a_file_beyond_the_limit_is_refused_and_one_left_out_too(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(upload, "LIMIT_BYTES", 1000)
    client = cast.client("surgeon")
    for sent, words in (({"file": sheet(row(1))}, "more than 50 MB"), ({}, "is missing")):
        response = client.post(reverse("new_intake"), sent)
        assert response.status_code == 422
        assert words in text(response)
    assert not Intake.objects.exists()


def test_a_file_is_kept_sealed_and_never_lies_on_disk(cast: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_disk(*_: Any, **__: Any) -> None:
        raise AssertionError("written to disk")

    monkeypatch.setattr("django.core.files.uploadhandler.TemporaryUploadedFile.__init__", no_disk)
    lines = "\n".join(f"Q-{number};f;left;note {number:>40}" for number in range(60_000))
    large = f"Hospital no.;Sex;Side;Note\n{lines}".encode()
    assert len(large) > 2_621_440  # from here on Django would write it to disk (FILE_UPLOAD_MAX_MEMORY_SIZE)
    intake = brought(cast.client("surgeon"), SimpleUploadedFile("large.csv", large))
    assert files.content_of(intake) == large
    assert intake.file_sealed
    assert b";f;left;" not in bytes(intake.file_sealed)


def test_without_the_token_of_its_form_nothing_is_begun(cast: Cast) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(cast.surgeon)
    assert client.post(reverse("new_intake"), {"file": sheet(row(1))}).status_code == 403
    client.get(reverse("intakes"))
    token = client.cookies["csrftoken"].value
    sent = {"csrfmiddlewaretoken": token, "file": sheet(row(1))}
    assert client.post(reverse("new_intake"), sent).status_code == 302
    intake = Intake.objects.get()
    for name in (*SENT, "intake_columns", "intake_values"):
        assert client.post(reverse(name, args=[intake.uuid])).status_code == 403


# --- who -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("method", ["get", "post"])
@pytest.mark.parametrize(
    ("who", "status"),
    [
        *(("clinician", 403), ("audit_lead", 403), ("coordinator", 403), ("administrator", 403)),
        *(("stranger", 404), ("nobody", 302)),
    ],
)
def test_nobody_else_sees_or_does_anything(cast: Cast, who: str, status: int, method: str) -> None:
    intake = begun(cast, REPAIRED)
    client = cast.client(who)
    for name in (*OPENED, *SENT):
        address = reverse(name, args=[intake.uuid])
        response = getattr(client, method)(address)
        is_unsaid = name in SENT and method == "get" and status != 302
        assert response.status_code == (405 if is_unsaid else status), name
    if who != "stranger":
        for name in ("intakes", "new_intake"):
            response = getattr(client, "post" if name == "new_intake" else method)(reverse(name))
            assert response.status_code == status
    intake.refresh_from_db()
    assert intake.state == IntakeState.OPEN


def test_a_stranger_lists_their_own_files_alone(cast: Cast) -> None:
    begun(cast, REPAIRED, name="Quince list.csv")
    assert "Quince list.csv" in text(cast.client("colleague").get(reverse("intakes")))
    assert "Quince list.csv" not in text(cast.client("stranger").get(reverse("intakes")))


def test_one_that_does_not_exist_looks_like_one_of_another_unit(cast: Cast) -> None:
    assert cast.client("surgeon").get(reverse("intake", args=[uuid4()])).status_code == 404


@pytest.mark.parametrize("who", ["surgeon", "colleague"])
def test_every_page_of_it_is_kept_by_no_cache(cast: Cast, who: str) -> None:
    client = cast.client(who)
    intake = rehearsed(client, row(1))
    addresses = [reverse("intakes"), *(reverse(name, args=[intake.uuid]) for name in OPENED)]
    for address in addresses:
        response = client.get(address)
        assert response.status_code == 200
        assert "no-store" in response.headers["Cache-Control"]
        assert "Quince" not in address


def test_the_list_drops_what_was_forgotten_and_asks_no_more_for_more_files(cast: Cast) -> None:
    old = begun(cast, REPAIRED, name="old.csv")
    Intake.objects.update(begun_at=timezone.now().replace(year=2020))
    client = cast.client("surgeon")
    assert "nobody went on with for 30 days" in text(client.get(reverse("intakes")))
    old.refresh_from_db()
    assert old.state == IntakeState.DROPPED
    with CaptureQueriesContext(connection) as few:
        client.get(reverse("intakes"))
    for number in range(4):
        begun(cast, REPAIRED, name=f"{number}.csv")
    with CaptureQueriesContext(connection) as many:
        client.get(reverse("intakes"))
    assert len(many) == len(few)
