"""Two people name the columns of one file: the second is told before theirs replaces what the first said."""

from typing import Any

import pytest
from django.urls import reverse

from registry.intake import files
from registry.intake.columns.mapping import Mapping
from registry.models import Intake
from tests.conftest import Cast
from tests.registry.pages.entries import text
from tests.registry.pages.files_brought import brought, row, sheet

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]


def shown(client: Any, address: str) -> dict[str, Any]:
    """What a browser would send of the page as it stands."""
    page = client.get(address).context["page"]
    fields = {field.html_name: field.value() for form in page.forms for field in form}
    return {"seen": page.mark} | {name: value for name, value in fields.items() if value not in (None, False)}


def test_the_second_is_told_and_loses_nothing(cast: Cast) -> None:
    client = cast.client("surgeon")
    intake = brought(client, sheet(row(1)))
    address = f"{reverse('intake_columns', args=[intake.uuid])}?sheet=1"
    assert f'name="seen" value="{shown(client, address)["seen"]}"' in client.get(address).text
    theirs, mine = shown(client, address), shown(client, address)
    target = next(name for name in mine if name.endswith("target"))
    assert client.post(address, {**theirs, target: ""}).status_code == 302
    kept = Intake.objects.get().mapping
    refused = client.post(address, mine)
    assert refused.status_code == 409
    assert "Somebody else said meanwhile" in text(refused)
    assert Intake.objects.get().mapping == kept
    again = {**mine, "seen": refused.context["page"].mark}
    assert client.post(address, again).status_code == 302
    assert Intake.objects.get().mapping != kept


def test_at_one_moment_the_second_is_refused(cast: Cast) -> None:
    intake = brought(cast.client("surgeon"), sheet(row(1)))
    read_before = Intake.objects.get()
    files.set_mapping(intake, cast.surgeon, Mapping())
    with pytest.raises(files.NotNow, match="at the same moment"):
        files.set_mapping(read_before, cast.surgeon, files.mapping_of(read_before))
