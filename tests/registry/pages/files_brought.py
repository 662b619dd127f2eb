"""A file of old records brought on the pages of Intake, and its columns said."""

import io
from datetime import date
from typing import Any

from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from openpyxl import Workbook

from registry.models import Intake
from registry.vocabulary import IntakeState
from tests.registry.pages.entries import text

HEADER = ["Hospital no.", "Sex", "Born", "Side", "Operated on", "Surgeon", "Meniscus", "Pattern", "Technique"]
OPENED = ("intake", "intake_columns", "intake_values", "intake_annotated")
FIXED_SIDE = {"target": "Knee: Side", "value": "left"}


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
