"""Every figure of charts/ on one sheet, drawn whole by the page's own script, wide and on a phone.

RIMWARD_SCREENSHOTS=FOLDER keeps a picture of each.
"""

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from django.contrib.staticfiles import finders
from django.template.loader import render_to_string
from playwright.sync_api import Browser, Page

from outcomes.charts.figure import Figure
from tests.conftest import Cast
from tests.outcomes.charts.every_figure import FIGURES

pytestmark = [pytest.mark.browser, pytest.mark.django_db]

LOOKS = {"wide": (1440, "light"), "phone": (360, "dark")}
SHEET = """<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>Every figure</title>
<style>{style}</style><script>{plotly}</script></head><body><main id="main">{figures}</main>
<script type="module">{script}</script></body></html>"""
ALL_DRAWN = """() => [...document.querySelectorAll(".figure-plot")].every((plot) =>
  Math.abs(plot.clientWidth - Number(plot.querySelector(".main-svg")?.getAttribute("width"))) < 2)"""
# Texts that reach out of their drawing by more than a pixel or two: a reader would see them cut off.
CUT_OFF = """(plot) => {
  const frame = plot.getBoundingClientRect();
  const reach = (box) => Math.max(
    frame.left - box.left, box.right - frame.right, frame.top - box.top, box.bottom - frame.bottom);
  return [...plot.querySelectorAll(".main-svg text")]
    .filter((text) => text.getBoundingClientRect().width && reach(text.getBoundingClientRect()) > 2)
    .map((text) => text.textContent);
}"""


def every_figure(cast: Cast) -> Iterator[Figure]:
    """Each once, with a name of its own."""
    figures = [figure for make in FIGURES.values() for figure in make(lambda: cast)]
    for number, figure in enumerate({(figure.name, figure.title): figure for figure in figures}.values()):
        yield replace(figure, name=f"{number}-{figure.name}")


def static(path: str) -> str:
    return Path(str(finders.find(path))).read_text(encoding="utf-8")


@pytest.fixture
def sheet(cast: Cast, tmp_path: Path) -> Path:
    drawn = [render_to_string("shared/figure.html", {"figure": figure}) for figure in every_figure(cast)]
    path = tmp_path / "sheet.html"
    text = SHEET.format(
        style=static("registry/rimward.css"),
        plotly=static("plotly/plotly.min.js"),
        script=static("outcomes/figure.js"),
        figures="\n".join(drawn),
    )
    path.write_text(text, encoding="utf-8")
    return path


def test_each_is_drawn_whole(chromium: Browser, sheet: Path) -> None:
    context = chromium.new_context(offline=True)
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: said.type in ("error", "warning") and complaints.append(said.text))
    page.goto(sheet.as_uri())
    for name, (width_px, scheme) in LOOKS.items():
        page.set_viewport_size({"width": width_px, "height": 900})
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        complaints += seen(page, name)
    context.close()
    assert not complaints, "\n".join(complaints)


def seen(page: Page, look: str) -> Iterator[str]:
    """What is wrong with the sheet as it is shown now."""
    page.wait_for_function(
        "() => document.querySelectorAll('.figure-plot:not(:has(.main-svg))').length === 0"
    )
    page.wait_for_timeout(500)
    if overhang_px := page.evaluate("() => document.documentElement.scrollWidth - innerWidth"):
        yield f"{look}: {overhang_px} px to scroll sideways"
    for figure in page.locator(".figure").all():
        plot = figure.locator(".figure-plot")
        name = plot.get_attribute("data-filename")
        if not plot.is_visible():
            yield f"{look}: {name} is not drawn"
        for text in plot.evaluate(CUT_OFF):
            yield f"{look}: {name} cuts off '{text}'"
        if folder := os.environ.get("RIMWARD_SCREENSHOTS"):
            plot.screenshot(path=Path(folder) / f"figure-{name}-{look}.png")
