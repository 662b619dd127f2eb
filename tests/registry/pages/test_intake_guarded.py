"""Intake on the site: what is let in, and who; a file is kept sealed, and nobody else does anything."""

from typing import Any
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from registry.intake import files, jobs
from registry.models import Intake
from registry.pages.intake import upload
from registry.vocabulary import IntakeState
from tests.conftest import Cast
from tests.registry.intake.old_notes import REPAIRED, begun
from tests.registry.pages.entries import text
from tests.registry.pages.files_brought import OPENED, brought, rehearsed, row, sheet

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

SENT = ("intake_rehearsal", "confirm_intake", "cancel_intake", "go_on_intake", "drop_intake", "undo_intake")


@pytest.fixture(autouse=True)
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(jobs, "start", jobs.run)


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
