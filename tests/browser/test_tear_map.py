"""The tear map in a tear card: placed by keyboard, click and touch, and in step with its controls.

It stands on a small page of its own, under the content policy of the site, with real widgets and real htmx.
"""

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from django import forms
from django.conf import settings
from django.contrib.staticfiles import finders
from django.template import engines
from django.template.loader import render_to_string
from playwright.sync_api import Browser, Locator, Page, Route, expect

from registry import vocabulary
from registry.tear_map import GLYPHS, Mark, Meniscus, Side, tear_map
from tests.browser.windows import NAME_THE_VIOLATION

pytestmark = pytest.mark.browser

SITE = "https://rimward.example.org"
POLICY = "; ".join(
    f"{name} {' '.join(sources)}" for name, sources in settings.CONTENT_SECURITY_POLICY["DIRECTIVES"].items()
)
CONTENT_TYPES = {".css": "text/css", ".js": "text/javascript"}
PHONE_PX, PROJECTOR_PX = 360, 1440
GRAVE = ("serious", "critical")
NAMES = ("meniscus", "radial_location", "rim_zone", "map_step")

PAGE = """
{% load static django_htmx %}
<!DOCTYPE html>
<html lang="en">
  <head>
    <meta name="viewport" content="width=device-width, initial-scale=1">
    <meta name="htmx-config" content='{"includeIndicatorStyles": false, "allowEval": false}'>
    <title>Tear map</title>
    <link rel="stylesheet" href="{% static 'registry/rimward.css' %}">
    <link rel="stylesheet" href="{% static 'registry/tear_map.css' %}">
    {% htmx_script %}
    <script src="{% static 'registry/tear_map.js' %}" type="module"></script>
  </head>
  <body>
    <main>
      <h1>Tear map</h1>
      <form class="card">
        <label for="side">Side</label>
        <select id="side" name="patient-side">
          <option value=""></option><option value="left">Left</option><option value="right">Right</option>
        </select>
        <div id="cards">{{ card|safe }}</div>
        <button type="button" hx-get="/card/tear-3" hx-target="#cards" hx-swap="beforeend">Add a tear</button>
        <button type="reset">Start again</button>
      </form>
      {{ picture|safe }}
    </main>
  </body>
</html>
"""
CARD = """
<div class="card">
  {% include "registry/tear_map_field.html" with map=map prefix=form.prefix number=2 %}
  <div class="fields">{% for field in form %}{% include "shared/field.html" %}{% endfor %}</div>
</div>
"""


class PlaceForm(forms.Form):
    """The four controls of a tear card that the map works with."""

    meniscus = forms.ChoiceField(choices=[("", "-"), *vocabulary.Meniscus.choices])
    radial_location = forms.ChoiceField(choices=[("", "-"), *vocabulary.RadialLocation.choices])
    rim_zone = forms.TypedChoiceField(choices=[("", "-"), *vocabulary.RimZone.choices])
    map_step = forms.IntegerField()


OpenPage = Callable[..., Page]


@pytest.fixture
def open_page(chromium: Browser) -> Iterator[OpenPage]:
    """Opens the page at a width, perhaps by touch, dark, or filled in; nothing may go wrong on it."""
    opened: list[tuple[Page, list[str]]] = []

    def at(
        width_px: int = PROJECTOR_PX,
        *,
        side: Side = "right",
        marks: tuple[Mark, ...] = (),
        initial: dict[str, object] | None = None,
        **context: object,
    ) -> Page:
        page = chromium.new_context(viewport={"width": width_px, "height": 900}, **context).new_page()
        page.set_default_timeout(5_000)
        complaints: list[str] = []
        opened.append((page, complaints))
        page.add_init_script(NAME_THE_VIOLATION)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda said: said.type == "error" and complaints.append(said.text))
        page.route("**/*", lambda route: answer(route, side, marks, initial))
        page.goto(SITE)
        return page

    yield at
    for page, complaints in opened:
        page.context.close()
        assert not complaints, "\n".join(complaints)


def answer(route: Route, side: Side, marks: tuple[Mark, ...], initial: dict[str, object] | None) -> None:
    """The page, one more card, or a static file."""
    path = route.request.url.removeprefix(SITE)
    if path.startswith("/static/"):
        found = finders.find(path.removeprefix("/static/"))
        route.fulfill(path=found, content_type=CONTENT_TYPES[Path(path).suffix])
    elif path == "/":
        picture = render_to_string("registry/tear_map.html", {"map": tear_map("left", marks)})
        parts = {"card": a_card("tear-2", side, initial), "picture": picture}
        body = engines["django"].from_string(PAGE).render(parts)
        route.fulfill(body=body, content_type="text/html", headers={"Content-Security-Policy": POLICY})
    elif path.startswith("/card/"):
        route.fulfill(body=a_card(path.removeprefix("/card/"), side, None), content_type="text/html")
    else:
        route.fulfill(status=204)


def a_card(prefix: str, side: Side, initial: dict[str, object] | None) -> str:
    others = (Mark(1, "lateral", 6, None, "radial", "found"), Mark(2, "lateral", 4, 1, "root", "found"))
    parts = {"form": PlaceForm(prefix=prefix, initial=initial), "map": tear_map(side, others)}
    return engines["django"].from_string(CARD).render(parts)


def cell(page: Page, meniscus: Meniscus, step: int, zone: int, prefix: str = "tear-2") -> Locator:
    return page.locator(
        f'[data-tear-map="{prefix}"] [data-step="{step}"] > [data-meniscus="{meniscus}"][data-zone="{zone}"]'
    )


def recorded(page: Page, prefix: str = "tear-2") -> tuple[str, ...]:
    return tuple(page.locator(f"#id_{prefix}-{name}").input_value() for name in NAMES)


def chosen(page: Page) -> Locator:
    return page.locator('[data-tear-map="tear-2"] .is-chosen')


def middle(place: Locator) -> tuple[float, float]:
    box = place.bounding_box()
    assert box
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def words(place: Locator) -> str | None:
    return place.locator("title").text_content()


def focused_words(page: Page) -> str:
    return page.evaluate("() => document.activeElement.querySelector('title')?.textContent ?? ''")


# --- keyboard ---------------------------------------------------------------------------------


def test_keys_walk_the_map_and_place_the_tear(open_page: OpenPage) -> None:
    page = open_page()
    page.locator("#side").focus()
    page.keyboard.press("Tab")
    assert focused_words(page).startswith("Medial meniscus, anterior root, step 1 of 12, rim zone 1")
    for key in ["ArrowDown"] * 8 + ["ArrowRight"]:
        page.keyboard.press(key)
    assert focused_words(page) == words(cell(page, "medial", 9, 2))
    assert recorded(page) == ("", "", "", "")
    page.keyboard.press("Enter")
    assert recorded(page) == ("medial", "posterior", "2", "9")
    expect(page.locator("output").first).to_have_text(
        "Placed: Medial meniscus, posterior third, step 9 of 12, rim zone 2, 3 to under 5 mm."
    )
    expect(cell(page, "medial", 9, 2)).to_have_attribute("aria-selected", "true")


def test_arrows_cross_from_one_free_edge_to_the_other_as_they_point(open_page: OpenPage) -> None:
    page = open_page()
    cell(page, "medial", 6, 3).click()
    page.keyboard.press("ArrowRight")
    assert focused_words(page) == words(cell(page, "lateral", 6, 3))
    page.locator("#side").select_option("left")
    cell(page, "medial", 6, 3).click()
    page.keyboard.press("ArrowLeft")
    assert focused_words(page) == words(cell(page, "lateral", 6, 3))
    for _ in range(5):
        page.keyboard.press("ArrowLeft")
    assert focused_words(page) == words(cell(page, "lateral", 6, 1))


@pytest.mark.parametrize(
    ("key", "meniscus", "step"),
    [("m", "lateral", 6), ("M", "lateral", 6), ("Home", "medial", 1), ("End", "medial", 12)],
)
def test_one_key_leads_far(open_page: OpenPage, key: str, meniscus: Meniscus, step: int) -> None:
    page = open_page()
    cell(page, "medial", 6, 2).click()
    page.keyboard.press(key)
    assert focused_words(page) == words(cell(page, meniscus, step, 2))
    page.keyboard.press("Space")
    assert recorded(page)[0] == meniscus
    assert recorded(page)[3] == str(step)


def test_the_map_is_one_tab_stop(open_page: OpenPage) -> None:
    page = open_page()
    cell(page, "lateral", 3, 1).click()
    page.keyboard.press("Tab")
    assert page.evaluate("() => document.activeElement.id") == "id_tear-2-meniscus"
    page.keyboard.press("Shift+Tab")
    assert focused_words(page) == words(cell(page, "lateral", 3, 1))


# --- pointer ----------------------------------------------------------------------------------


def test_a_click_places_the_tear_and_tells_everybody(open_page: OpenPage) -> None:
    page = open_page()
    page.evaluate(
        """() => {
          window.heard = [];
          const hear = ({ type, target }) => window.heard.push(`${type} ${target.name}=${target.value}`);
          for (const type of ["input", "change"]) document.querySelector("form").addEventListener(type, hear);
        }"""
    )
    cell(page, "lateral", 12, 3).click()
    placed = ("lateral", "root", "3", "12")
    assert recorded(page) == placed
    assert page.evaluate("() => window.heard") == [
        f"{type_} tear-2-{name}={value}"
        for name, value in zip(NAMES, placed, strict=True)
        for type_ in ("input", "change")
    ]


@pytest.mark.parametrize("side", ["right", "left"])
def test_every_place_can_be_touched_on_a_phone(open_page: OpenPage, side: Side) -> None:
    page = open_page(PHONE_PX, side=side, has_touch=True, is_mobile=True)
    for meniscus in ("medial", "lateral"):
        for step in (1, 5, 8, 12):
            for zone in (1, 2, 3):
                place = cell(page, meniscus, step, zone)
                place.scroll_into_view_if_needed()
                page.touchscreen.tap(*middle(place))
                assert (recorded(page)[0], *recorded(page)[2:]) == (meniscus, str(zone), str(step))


def test_a_touch_beside_the_meniscus_means_the_nearest_place(open_page: OpenPage) -> None:
    page = open_page(PHONE_PX, has_touch=True, is_mobile=True)
    page.locator(".tear-map").first.scroll_into_view_if_needed()
    x, y = middle(cell(page, "medial", 6, 1))
    page.touchscreen.tap(x - 16, y)
    assert recorded(page) == ("medial", "middle", "1", "6")


def test_a_touch_far_from_both_places_nothing(open_page: OpenPage) -> None:
    page = open_page()
    page.get_by_text("Front", exact=True).first.click(force=True)
    assert recorded(page) == ("", "", "", "")


def test_the_number_is_large_enough_to_see_on_a_phone(open_page: OpenPage) -> None:
    page = open_page(PHONE_PX, has_touch=True, is_mobile=True)
    number = page.locator(".tear-map-choice .tear-map-glyph").first
    expect(number).to_be_hidden()
    cell(page, "medial", 10, 1).tap()
    expect(number).to_be_visible()
    box = number.bounding_box()
    assert box
    assert min(box["width"], box["height"]) >= 20
    assert number.text_content().strip() == "2"


# --- controls ---------------------------------------------------------------------------------


def test_the_mark_follows_the_controls(open_page: OpenPage) -> None:
    page = open_page()
    cell(page, "medial", 9, 2).click()
    before = middle(page.locator(".tear-map-choice .tear-map-glyph").first)
    page.locator("#id_tear-2-meniscus").select_option("lateral")
    page.locator("#id_tear-2-map_step").fill("10")
    assert chosen(page).evaluate_all(
        "cells => cells.map((one) => one.querySelector('title').textContent)"
    ) == [words(cell(page, "lateral", 10, 2))]
    after = middle(page.locator(".tear-map-choice .tear-map-glyph").first)
    assert after[0] > before[0]


def test_controls_alone_shade_all_they_allow(open_page: OpenPage) -> None:
    page = open_page()
    page.locator("#id_tear-2-meniscus").select_option("medial")
    expect(chosen(page)).to_have_count(0)
    page.locator("#id_tear-2-radial_location").select_option("middle")
    expect(chosen(page)).to_have_count(12)
    page.locator("#id_tear-2-rim_zone").select_option("1")
    expect(chosen(page)).to_have_count(4)
    expect(page.locator("output").first).to_contain_text("Not placed exactly")
    assert recorded(page) == ("medial", "middle", "1", "")


def test_another_third_chosen_by_hand_takes_the_exact_place_away(open_page: OpenPage) -> None:
    page = open_page()
    cell(page, "medial", 9, 2).click()
    page.locator("#id_tear-2-radial_location").select_option("anterior")
    assert recorded(page) == ("medial", "anterior", "2", "")
    expect(chosen(page)).to_have_count(3)


def test_what_was_recorded_is_shown_at_once(open_page: OpenPage) -> None:
    place = {"meniscus": "lateral", "radial_location": "root", "rim_zone": 2, "map_step": 12}
    page = open_page(initial=place)
    expect(cell(page, "lateral", 12, 2)).to_have_class(re.compile("is-chosen"))
    # The other tear's number stays, its own is drawn once.
    numbers = page.locator('[data-tear-map="tear-2"] .tear-map-glyph:visible text').all_text_contents()
    assert sorted(numbers) == ["1", "2"]
    page.get_by_role("button", name="Start again").click()
    expect(cell(page, "lateral", 12, 2)).to_have_class(re.compile("is-chosen"))


def test_starting_again_takes_the_mark_away(open_page: OpenPage) -> None:
    page = open_page()
    cell(page, "medial", 9, 2).click()
    page.get_by_role("button", name="Start again").click()
    expect(chosen(page)).to_have_count(0)


def test_a_card_added_later_works_as_well(open_page: OpenPage) -> None:
    page = open_page()
    page.get_by_role("button", name="Add a tear").click()
    cell(page, "medial", 2, 3, "tear-3").click()
    assert recorded(page, "tear-3") == ("medial", "anterior", "3", "2")
    assert recorded(page) == ("", "", "", "")


# --- side and looks ---------------------------------------------------------------------------


@pytest.mark.parametrize("drawn", ["right", "left"])
@pytest.mark.parametrize("said", ["right", "left"])
def test_the_drawing_follows_the_side_on_the_form(open_page: OpenPage, drawn: Side, said: Side) -> None:
    page = open_page(side=drawn)
    page.locator("#side").select_option(said)
    medial, lateral = (middle(cell(page, meniscus, 6, 1))[0] for meniscus in ("medial", "lateral"))
    assert (medial < lateral) == (said == "right")
    expect(page.locator(".tear-map-side")).to_contain_text(f"{said.capitalize()} knee", use_inner_text=True)
    # Words are turned back, so they stay readable.
    assert page.locator(".tear-map-label").first.evaluate("label => label.getScreenCTM().a") > 0


def test_without_script_it_is_a_picture_beside_the_controls(open_page: OpenPage) -> None:
    page = open_page(java_script_enabled=False)
    expect(page.locator('[data-tear-map] [role="grid"], [data-tear-map] [tabindex]')).to_have_count(0)
    expect(page.locator("[data-tear-map] .tear-map")).to_have_attribute("role", "img")
    expect(page.locator(".tear-map-words")).to_be_hidden()
    page.locator("#side").select_option("left")
    expect(page.locator(".tear-map-side")).to_contain_text("Left knee", use_inner_text=True)


def test_kinds_differ_in_shape_fill_or_line(open_page: OpenPage) -> None:
    page = open_page(marks=tuple(Mark(n, "medial", n, 1, "radial", kind) for n, kind in enumerate(GLYPHS, 1)))
    looks = page.locator("main > .tear-map .tear-map-mark").evaluate_all(
        """(marks) => marks.map((mark) => [...mark.querySelectorAll(".tear-map-glyph path")].map((path) => {
          const { fill, strokeDasharray } = getComputedStyle(path);
          return [path.getAttribute("d"), fill, strokeDasharray].join();
        }).join())"""
    )
    assert len(set(looks)) == len(GLYPHS)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width_px", [PHONE_PX, PROJECTOR_PX])
def test_nothing_grave_is_found(open_page: OpenPage, scheme: str, width_px: int) -> None:
    marks = (
        Mark(1, "medial", 9, 1, "bucket-handle", "found"),
        Mark(1, "medial", 9, 1, "bucket-handle", "healed"),
    )
    page = open_page(width_px, marks=marks, color_scheme=scheme)
    cell(page, "medial", 9, 2).click()
    violations = Axe().run(page).response["violations"]
    assert not [(found["id"], found["nodes"]) for found in violations if found["impact"] in GRAVE]
    assert (
        page.evaluate("() => document.documentElement.scrollWidth - document.documentElement.clientWidth")
        == 0
    )
