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
# What a page says besides its data: the frame that a reader looks for in the picture.
SAID = """() => [...document.querySelectorAll("h1, h2, h3, label, legend, button, th[scope=col], nav a")]
  .filter((each) => each.checkVisibility()).map((each) => each.innerText.trim()).filter(Boolean)"""
SHEETS = "() => [...document.styleSheets].map((sheet) => new URL(sheet.href).pathname).sort()"


def test_every_picture_shows_its_page_as_it_is(
    cast: Cast, repairs: None, page: Page, sign_in: Callable[[str], None]
) -> None:
    found: dict[str, dict[str, str]] = {}
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
    stale = [code for code, said in found.items() if outlines().get(code) != said]
    assert not stale, f"Pictures are stale: {', '.join(stale)}. Make them anew as the module says."
    assert set(outlines()) == set(PICTURES)
    assert all(picture.file.read_bytes().startswith(b"\x89PNG") for picture in PICTURES.values())


def test_every_guide_opens_with_its_pictures(cast: Cast, page: Page, sign_in: Callable[[str], None]) -> None:
    sign_in(cast.surgeon.username)
    shown: set[str] = set()
    for guide in GUIDES.values():
        page.goto(f"/help/guides/{guide.code}/", wait_until="networkidle")
        for image in page.locator("main img").all():
            image.scroll_into_view_if_needed()
            page.wait_for_function(
                "(image) => image.complete && image.naturalWidth", arg=image.element_handle()
            )
            shown.add(re.findall(r"/([a-z_]+)\.png", image.get_attribute("src") or "")[0])
    assert shown == set(PICTURES), "every picture stands in a guide"


def address_of(picture: Picture, knee: Knee) -> str:
    """The page's own address; names of pages are those of the site's addresses."""
    arguments = {"knee": knee.uuid} if picture.of_knee else {}
    return reverse(picture.address, kwargs=arguments) + picture.query


def outline(page: Page) -> str:
    """Digest of what the page says besides its data; figures count as one."""
    said = re.sub(r"\d+", "0", "\n".join(page.evaluate(SAID)))
    return hashlib.sha256(said.encode()).hexdigest()[:16]


def looks(page: Page) -> str:
    """Digest of the style sheets that the page uses."""
    sheets = [page.request.get(path).body() for path in page.evaluate(SHEETS)]
    return hashlib.sha256(b"\n".join(sheets)).hexdigest()[:16]
