"""A patient answers on a phone, with script and without: half, then on another browser the rest.

Every screen is looked at on the way: nothing grave found by axe, nothing to scroll sideways, targets for a
thumb, light and dark. What ends on record is what was chosen.
"""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from registry.models import PatientLink, PatientReport, ScoreResponse
from registry.patient_link.making import make_link
from registry.patient_link.token import token_of
from registry.scoring import INSTRUMENTS
from tests.browser.test_every_page import GRAVE, NEXT_FRAME, OVERHANG, keep_picture
from tests.conftest import Cast

pytestmark = pytest.mark.browser

PHONE = {"width": 360, "height": 740}
KOOS = INSTRUMENTS["koos"]
CHOSEN = {item.code: (3 * place + 1) % 5 for place, item in enumerate(KOOS.items)}
HALF = 3
LEAST_PX = 44
TARGETS = "button, label.choice, input:not(.choice input):not([type=hidden])"
SMALL = f"""() => [...document.querySelectorAll("{TARGETS}")]
  .map((each) => each.getBoundingClientRect())
  .filter((box) => box.height > 0 && (box.height < {LEAST_PX} || box.width < {LEAST_PX})).length"""

Open = Callable[..., Page]


@pytest.fixture
def link(transactional_db: None, cast: Cast) -> PatientLink:
    return make_link(cast.knee, "12m", cast.clinician)


@pytest.fixture
def phone(chromium: Browser, live_server: Any, link: PatientLink) -> Iterator[Open]:
    """A browser of its own for each call, on the link's page."""
    opened: list[Page] = []

    def at_the_link(token: str = "", *, script: bool = True, locale: str = "en-GB") -> Page:
        context = chromium.new_context(
            base_url=live_server.url, viewport=PHONE, java_script_enabled=script, locale=locale
        )
        page = context.new_page()
        page.goto(f"/r/{token or token_of(link.uuid)}/")
        opened.append(page)
        return page

    yield at_the_link
    for page in opened:
        page.context.close()


def enter(page: Page, year: str = "1995") -> None:
    page.get_by_label("Year of birth").fill(year)
    page.get_by_role("button", name="Go on").click()


def go_on(page: Page) -> None:
    page.get_by_role("button", name="Next").click()


def answer(page: Page, group: int) -> None:
    place = page.get_by_text(f"Screen {group + 3} of 10")
    expect(place).to_be_visible()
    for code in KOOS.groups[group].items:
        page.locator(f"input[name={code}][value='{CHOSEN[code]}']").check()
    go_on(page)


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without"])
def test_half_on_one_browser_and_the_rest_on_another(phone: Open, link: PatientLink, script: bool) -> None:
    first = phone(script=script)
    enter(first)
    first.get_by_label("No", exact=True).check()
    go_on(first)
    assert PatientReport.objects.get().operated_again == "no"
    first.get_by_label("None of these").check()
    go_on(first)
    for group in range(HALF):
        answer(first, group)
    first.context.close()

    second = phone(script=script)
    enter(second)
    for group in range(HALF, len(KOOS.groups)):
        answer(second, group)
    expect(second.get_by_text("42 of 42 questions are answered")).to_be_visible()
    second.get_by_role("button", name="Send").click()
    expect(second.get_by_role("heading", name="Thank you")).to_be_visible()
    on_record = ScoreResponse.objects.get()
    assert on_record.items == CHOSEN
    assert on_record.scale_values == KOOS.values(CHOSEN)
    assert (on_record.way, on_record.reoperated_since) == ("link", "not_asked")
    link.refresh_from_db()
    assert link.finished_at is not None


def test_what_is_not_a_link_that_can_be_answered_is_refused_alike(phone: Open, cast: Cast) -> None:
    links = {kind: make_link(cast.knee, "12m") for kind in ("expired", "reused", "altered")}
    PatientLink.objects.filter(pk=links["expired"].pk).update(expires_at=links["expired"].made_at)
    PatientLink.objects.filter(pk=links["reused"].pk).update(finished_at=links["reused"].made_at)
    tokens = {kind: token_of(made.uuid) for kind, made in links.items()}
    tokens["altered"] = tokens["altered"][::-1]
    tokens["guessed"] = "a" * 66
    seen = {}
    for kind, token in tokens.items():
        page = phone(token)
        before = page.locator("main").inner_text()
        with page.expect_response(lambda response: response.request.method == "POST") as answered:
            enter(page)
        seen[kind] = (before, answered.value.status, page.title(), page.locator("body").inner_text())
    assert seen["guessed"][1] == 403
    assert all(each == seen["guessed"] for each in seen.values())


def test_words_of_another_operation_are_asked_for_when_there_was_one(phone: Open) -> None:
    page = phone()
    enter(page)
    where = page.get_by_label("Where (hospital or town)")
    expect(where).to_be_hidden()
    page.get_by_label("Not sure").check()
    where.fill("Alder Clinic")
    page.keyboard.press("Enter")
    expect(page.get_by_text("Signs that need a doctor")).to_be_visible()
    assert PatientReport.objects.get().opened()["where"] == "Alder Clinic"


@pytest.mark.parametrize("language", ["en", "es"])
def test_every_screen_is_fit_for_a_phone(phone: Open, cast: Cast, language: str) -> None:
    made = make_link(cast.knee, "6m", instruments=["koos", "eq5d5l", "pain_nrs"])
    page = phone(token_of(made.uuid), locale={"en": "en-GB", "es": "es-ES"}[language])
    found = list(faults(page, language, "year"))
    page.locator("#year").fill("1994")
    press(page)
    found += faults(page, language, "refused")
    page.locator("button[value=start]").click()
    page.locator("#year").fill("1995")
    press(page)
    page.locator("html[lang|=en] button[value=es], html[lang=es] button[value=en]").wait_for()
    if language == "es":
        page.locator("button[value=es]").click()
    press(page)
    found += faults(page, language, "again-not-answered")
    page.locator("[name=again][value=yes]").check()
    found += faults(page, language, "again")
    press(page)
    page.locator("[name=fever]").check()
    found += faults(page, language, "signs")
    press(page)
    found += faults(page, language, "advice")
    press(page)
    for number in range(1, 11):
        if number in (1, 8, 9, 10):
            found += faults(page, language, f"group-{number}")
        press(page)
        if number == 1:
            found += faults(page, language, "group-not-answered")
        press(page)
    found += faults(page, language, "send")
    press(page)
    found += faults(page, language, "thanks")
    assert page.locator("html").get_attribute("lang") == {"en": "en-gb", "es": "es"}[language]
    assert made.finished_at is None
    made.refresh_from_db()
    assert made.finished_at is not None
    assert not found, "\n".join(found)


def press(page: Page) -> None:
    page.locator("form#screen button[type=submit]").first.click()


def faults(page: Page, language: str, name: str) -> Iterator[str]:
    """What is wrong with a screen, on a phone and a wide window, light and dark."""
    for scheme in ("light", "dark"):
        for width_px in (PHONE["width"], 1440):
            here = f"{name}, {language}, {scheme}, {width_px} px"
            page.emulate_media(color_scheme=scheme)
            page.set_viewport_size({"width": width_px, "height": PHONE["height"]})
            page.evaluate(NEXT_FRAME)
            keep_picture(page, f"patient-{name}-{language}-{scheme}-{width_px}.png")
            if overhang_px := page.evaluate(OVERHANG):
                yield f"{here}: {overhang_px} px to scroll sideways"
            if small := page.evaluate(SMALL):
                yield f"{here}: {small} targets under {LEAST_PX} px"
            for violation in Axe().run(page).response["violations"]:
                if violation["impact"] in GRAVE:
                    nodes = "; ".join(str(node["target"]) for node in violation["nodes"])
                    yield f"{here}: {violation['id']} ({violation['help']}) at {nodes}"
    page.set_viewport_size(PHONE)
