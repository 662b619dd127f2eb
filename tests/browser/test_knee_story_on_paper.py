"""The Knee story on paper: nothing to click, all folded open, the maps side by side, on whole pages."""

from collections.abc import Callable

import pytest
from playwright.sync_api import Locator, Page, expect

from registry.models import Visit
from registry.recording import record
from tests import factories
from tests.conftest import Cast

pytestmark = pytest.mark.browser

A4_PX = {"width": 680, "height": 960}  # 210 mm less two margins of 15 mm, at 96 px an inch


@pytest.fixture
def paper(cast: Cast, page: Page, sign_in: Callable[[str], None]) -> Page:
    """The story of a knee with something missing and something folded, as its print looks."""
    factories.corrected(cast.repair.tear, map_step=9, radial_location="posterior")
    record(Visit(knee=cast.knee, seen_on=factories.OPERATED_ON), by=cast.clinician)
    sign_in(cast.surgeon.username)
    page.set_viewport_size(A4_PX)
    page.goto(f"/knees/{cast.knee.uuid}/", wait_until="networkidle")
    assert page.locator("details:not([open])").count() > 0
    page.emulate_media(media="print")
    page.wait_for_function("() => !document.querySelector('details:not([open])')")
    return page


def shown(found: Locator) -> list[str]:
    return [each.inner_text() for each in found.all() if each.is_visible()]


def test_nothing_to_click_and_everything_to_read(paper: Page) -> None:
    assert shown(paper.get_by_role("button")) == []
    assert shown(paper.get_by_role("navigation")) == []
    assert shown(paper.locator(".story-links, .to-complete, .site-user")) == []
    assert paper.get_by_text("Tear in a vascular zone", exact=True).is_visible()
    assert paper.get_by_text("Not signed.").is_visible()
    # Loaded in place, so it may come a moment later.
    expect(paper.get_by_text("Standing when last known well").first).to_be_visible()


def test_maps_side_by_side_on_one_sheet_in_width(paper: Page) -> None:
    then, now = (paper.locator(f"#tear-map-{name}-drawing-title").locator("..") for name in ("then", "now"))
    first, second = then.bounding_box(), now.bounding_box()
    assert first
    assert second
    assert first["y"] == second["y"]
    assert first["x"] + first["width"] <= second["x"]
    assert paper.evaluate("() => document.documentElement.scrollWidth") <= A4_PX["width"]


def test_no_page_ends_within_a_moment(paper: Page) -> None:
    moments = paper.locator(".time-line > li")
    assert moments.count() == 3
    for each in moments.all():
        assert each.evaluate("(moment) => getComputedStyle(moment).breakInside") == "avoid"
    around = paper.locator("section:has(> .time-line)")
    assert around.evaluate("(card) => getComputedStyle(card).breakInside") == "auto"


def test_back_on_screen_it_is_as_it_was(paper: Page) -> None:
    paper.emulate_media(media="screen")
    paper.wait_for_function("() => document.querySelector('.time-line details:not([open])')")
    assert paper.get_by_role("button", name="Print").is_visible()


def test_the_button_prints(paper: Page) -> None:
    paper.emulate_media(media="screen")
    paper.evaluate("() => { window.print = () => { document.title = 'printed'; }; }")
    paper.get_by_role("button", name="Print").click()
    assert paper.title() == "printed"
