"""The pictures of the guides: made here, on an invented record, and held to what their pages say today.

A picture is kept with an outline of its page (headings, labels, buttons, column heads, without figures) and
a digest of its style sheets. When either is another the picture is stale and this fails. Make all anew by:

    RIMWARD_HELP_PICTURES=make .venv/bin/pytest -n 0 tests/browser/test_help.py
"""

import hashlib
import json
import os
import re
from collections.abc import Callable
from typing import Any

import pytest
from django.urls import reverse
from playwright.sync_api import Page

from registry.models import Knee
from registry.pages.help.guides import GUIDES, OUTLINES, PICTURES, Picture, outlines
from registry.vocabulary import Role
from tests.conftest import Cast

pytestmark = pytest.mark.browser

MAKE = os.environ.get("RIMWARD_HELP_PICTURES") == "make"
SIZE = {"width": 1200, "height": 760}
# What a page says besides its data: the frame that a reader looks for in the picture. What is loaded into the
# page later is left out, since it may not be there yet.
SAID = """() => [...document.querySelectorAll("h1, h2, h3, label, legend, button, th[scope=col], nav a")]
  .filter((each) => each.checkVisibility() && !each.closest("[hx-get]"))
  .map((each) => each.innerText.trim()).filter(Boolean)"""
SHEETS = """() => [...document.styleSheets].filter((sheet) => sheet.href)
  .map((sheet) => new URL(sheet.href).pathname).sort()"""


def test_every_picture_shows_its_page_as_it_is(
    cast: Cast, repairs: None, page: Page, sign_in: Callable[[str], None]
) -> None:
    found: dict[str, dict[str, Any]] = {}
    page.set_viewport_size(SIZE)  # type: ignore[arg-type]
    page.emulate_media(color_scheme="light")
    for role in Role:
        page.context.clear_cookies()
        sign_in(getattr(cast, role.value).username)
        for picture in (each for each in PICTURES.values() if each.role == role):
            page.goto(address_of(picture, cast.knee), wait_until="networkidle")
            found[picture.code] = {"said": outline(page), "looks": looks(page)}
            if MAKE:
                picture.file.parent.mkdir(exist_ok=True)
                page.screenshot(path=picture.file)
    if MAKE:
        OUTLINES.write_text(json.dumps(found, indent=1, sort_keys=True) + "\n", encoding="utf-8")
        outlines.cache_clear()
    assert found == outlines(), "Pictures are stale. Make them anew as the module says."
    assert set(found) == set(PICTURES)
    assert all(picture.file.read_bytes().startswith(b"\x89PNG") for picture in PICTURES.values())


def test_every_guide_opens_with_its_pictures(cast: Cast, page: Page, sign_in: Callable[[str], None]) -> None:
    sign_in(cast.surgeon.username)
    shown: set[str] = set()
    for guide in GUIDES.values():
        page.goto(f"/help/guides/{guide.code}/", wait_until="networkidle")
        for image in page.locator("main img").all():
            image.scroll_into_view_if_needed()
            image.evaluate("(image) => image.decode()")
            shown.add(re.findall(r"/([a-z_]+)\.png", image.get_attribute("src") or "")[0])
    assert shown == set(PICTURES), "every picture stands in a guide"


def address_of(picture: Picture, knee: Knee) -> str:
    """The page's own address; names of pages are those of the site's addresses."""
    arguments = {"knee": knee.uuid} if picture.of_knee else {}
    return reverse(picture.address, kwargs=arguments) + picture.query


def outline(page: Page) -> list[str]:
    """What the page says besides its data; figures and keys count as one."""
    return [re.sub(r"\b[0-9a-f]*\d[0-9a-f]*\b|\b[a-f]{8}\b", "0", each) for each in page.evaluate(SAID)]


def looks(page: Page) -> str:
    """Digest of the style sheets that the page uses."""
    sheets = [page.request.get(path).body() for path in page.evaluate(SHEETS)]
    return hashlib.sha256(b"\n".join(sheets)).hexdigest()[:16]
