"""The briefing opened as a file, without any server: its figures draw, and nothing is fetched."""

from pathlib import Path

import pytest
from django.core.management import call_command
from playwright.sync_api import Browser

from tests.conftest import Cast

pytestmark = [pytest.mark.browser, pytest.mark.django_db]


@pytest.mark.usefixtures("repairs")
def test_the_file_draws_its_figures_offline(chromium: Browser, cast: Cast, tmp_path: Path) -> None:
    call_command("briefing", out=tmp_path)
    (path,) = tmp_path.iterdir()
    context = chromium.new_context(offline=True)
    page = context.new_page()
    asked: list[str] = []
    complaints: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: said.type == "error" and complaints.append(said.text))
    page.goto(path.as_uri())
    page.locator(".figure-plot .main-svg").first.wait_for()
    assert page.locator(".figure-plot:visible").count() == 3
    assert asked == [path.as_uri()]
    assert not complaints
    context.close()
