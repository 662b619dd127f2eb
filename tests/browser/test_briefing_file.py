"""A newcomer's way: sign in, build the briefing, take it home, open it without a network, print it."""

import hashlib
import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from outcomes.models import Briefing
from tests.browser.test_every_page import findings
from tests.conftest import Cast

pytestmark = [pytest.mark.browser, pytest.mark.django_db]

# The text of an A4 page with margins of 15 mm, at 96 pixels an inch.
TEXT_WIDTH_PX, TEXT_HEIGHT_PX = 680, 1009
DRAWN = """
() => document.querySelectorAll('.figure-plot .main-svg').length
   >= document.querySelectorAll('.figure-plot').length
"""
# What is wider than the page, or cut off by what it stands in, or a drawing taller than a page.
CLIPPED = """
([width, height]) => [...document.querySelectorAll('.figure-plot, .figure-plot .main-svg, table, td, th')]
  .filter((part) => {
    const box = part.getBoundingClientRect();
    const tall = !part.matches('table') && box.height > height;
    return box.right > width + 1 || box.left < -1 || part.scrollWidth > Math.ceil(box.width) + 1 || tall;
  })
  .map((part) => `${part.tagName} in ${part.closest('section')?.getAttribute('aria-labelledby')}`)
"""
LABELS_CUT = """
() => [...document.querySelectorAll('.figure-plot .main-svg text')]
  .filter((text) => {
    const svg = text.closest('.main-svg').getBoundingClientRect(), box = text.getBoundingClientRect();
    return box.width && (box.left < svg.left - 1 || box.right > svg.right + 1 || box.bottom > svg.bottom + 1);
  })
  .map((text) => text.textContent)
"""


@pytest.fixture
def offline(chromium: Browser) -> Iterator[Page]:
    """A window without a network that notes what is asked for; it must have nothing to complain about."""
    context = chromium.new_context(offline=True)
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: said.type == "error" and complaints.append(said.text))
    yield page
    context.close()
    assert not complaints, "\n".join(complaints)


@pytest.mark.usefixtures("repairs")
def test_a_newcomer_builds_takes_and_prints_a_briefing(
    cast: Cast, page: Page, sign_in: Callable[[str], None], offline: Page, tmp_path: Path
) -> None:
    sign_in(cast.audit_lead.username)
    page.goto("/briefings/")
    page.get_by_label("Operated from").fill("2022-06-01")
    page.get_by_label("Operated to").fill("2024-12-31")
    page.get_by_label("Words of the chair").fill("Please read the cautions first.")
    page.get_by_role("button", name="Build the briefing").click()
    page.get_by_role("heading", name="Briefing of Northmere Hospital").wait_for()
    path = taken(page, "Download as HTML", tmp_path)
    briefing = Briefing.objects.get()
    assert hashlib.sha256(path.read_bytes()).hexdigest() == briefing.sha256
    asked = opened(offline, path)
    assert asked == [path.as_uri()]
    tells_the_numbers(offline, briefing)
    nothing_is_clipped(offline)
    printed = taken(page, "Download as PDF", tmp_path).read_bytes()
    assert printed.startswith(b"%PDF")
    assert len(re.findall(rb"/Type /Page\b(?!s)", printed)) > 5
    of_it = f"/briefings/{briefing.uuid}/"
    found = [each for path in (of_it, f"{of_it}changes/") for each in findings(page, path, "audit_lead")]
    assert not found, "\n".join(found)


def taken(page: Page, link: str, folder: Path) -> Path:
    """Follow a link that downloads, and keep the file."""
    with page.expect_download(timeout=120_000) as download:
        page.get_by_role("link", name=link).click()
    path = folder / download.value.suggested_filename
    download.value.save_as(path)
    return path


def opened(page: Page, path: Path) -> list[str]:
    """Open the file from disk; every address asked for."""
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(path.as_uri())
    page.wait_for_function(DRAWN, timeout=60_000)
    assert page.locator(".figure-plot:visible").count() >= 8
    return asked


def tells_the_numbers(page: Page, briefing: Briefing) -> None:
    """The data block in the file is the one in the archive, and the headline is there in words."""
    block = json.loads(page.locator("#briefing-numbers").text_content() or "")
    assert block == briefing.numbers
    assert "61 repairs were counted" in (
        page.locator("section[aria-labelledby=headline]").text_content() or ""
    )
    assert page.get_by_text("Please read the cautions first.").is_visible()


def nothing_is_clipped(page: Page) -> None:
    """As on paper: A4 with its margins, figures drawn anew for it."""
    page.set_viewport_size({"width": TEXT_WIDTH_PX, "height": TEXT_HEIGHT_PX})
    page.emulate_media(media="print")
    page.evaluate("() => dispatchEvent(new Event('beforeprint'))")
    page.wait_for_timeout(1_000)
    page.wait_for_function(DRAWN)
    assert page.evaluate(CLIPPED, [TEXT_WIDTH_PX, TEXT_HEIGHT_PX]) == []
    assert page.evaluate(LABELS_CUT) == []
    assert page.evaluate("() => document.documentElement.scrollWidth") <= TEXT_WIDTH_PX
