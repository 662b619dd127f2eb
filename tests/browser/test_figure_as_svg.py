"""A figure as a file: an SVG that the page itself makes, whole, with its words, in the colours of paper."""

import re
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import pytest
from playwright.sync_api import Page

from tests.conftest import Cast

pytestmark = pytest.mark.browser

FILE_WIDTH_PX = "1000"
LIGHT_TEAL = "rgb(11, 100, 98)"


@pytest.mark.usefixtures("repairs")
def test_a_figure_is_saved_whole_with_its_words(
    cast: Cast, page: Page, sign_in: Callable[[str], None], tmp_path: Path
) -> None:
    sign_in(cast.surgeon.username)
    page.emulate_media(color_scheme="dark")
    page.goto("/survival/")
    figure = page.locator(".figure").first
    title = figure.locator("h2").inner_text()
    with page.expect_download() as saving:
        figure.get_by_role("button", name="As SVG").click()
    assert saving.value.suggested_filename == "survival-by-zone.svg"
    saving.value.save_as(tmp_path / "figure.svg")
    drawing = (tmp_path / "figure.svg").read_text()
    root = ElementTree.fromstring(drawing)  # noqa: S314 - made by our own page
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert root.get("width") == FILE_WIDTH_PX
    said = " ".join(" ".join(text.itertext()) for text in root.iter("{http://www.w3.org/2000/svg}text"))
    for words in (title, "Primary repairs at Northmere Hospital", "Number at risk", "Red-red"):
        assert " ".join(words.split()) in " ".join(said.split())
    assert LIGHT_TEAL in drawing
    assert not re.search(r"var:|<script|https?://(?!www\.w3\.org)", drawing)
