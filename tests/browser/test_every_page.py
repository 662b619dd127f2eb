"""Every page that any role can reach by links, light on a projector and dark on a phone.

No errors, no breach of the content policy, nothing grave found by axe, nothing to scroll sideways on a phone.
RIMWARD_SCREENSHOTS=FOLDER keeps a picture of each.
"""

import os
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from tests.conftest import Cast

pytestmark = pytest.mark.browser

ROLES = ("surgeon", "audit_lead", "coordinator", "administrator", "clinician")
PHONE_PX, PROJECTOR_PX = 360, 1440
# Wide, then narrow, so that a page has to give way too. Each width and each scheme once: a page too wide is
# so in either scheme, and a colour too faint is so at either width.
LOOKS = [("light", PROJECTOR_PX), ("dark", PHONE_PX)]
# Parts that a page fetches of its own accord, and figures that are drawn from data of their own.
FETCHES_MORE = '[hx-trigger*="load"], [data-figure]'
GRAVE = ("serious", "critical")
# Where each rule holds is not asked: finding an address for every sound element takes longer than judging.
ONLY_WHAT_IS_WRONG = {"resultTypes": ["violations"]}
LINK = re.compile(r'<a\b[^>]*\bhref="(/[^"?#]*)')
# Pages of the same kind: of another row of the record, or of another form.
RECORD = re.compile(r"[0-9a-f]{8}-[0-9a-f-]{27}|\d+|(?<=score-)\w+")
NEXT_FRAME = "() => new Promise((seen) => requestAnimationFrame(() => requestAnimationFrame(seen)))"
OVERHANG = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"


@pytest.mark.usefixtures("repairs")
def test_every_page(cast: Cast, page: Page, sign_in: Callable[[str], None]) -> None:
    """Each role opens all that it reaches; each kind of page is looked at once, as its first role sees it."""
    looked_at: set[str] = set()
    found: list[str] = []
    for role in ROLES:
        page.context.clear_cookies()
        sign_in(getattr(cast, role).username)
        for kind, path in reachable(page).items():
            if kind not in looked_at:
                looked_at.add(kind)
                found += findings(page, path, role)
    assert not found, "\n".join(found)


def test_the_sign_in_page(page: Page, cast: Cast) -> None:
    found = list(findings(page, "/sign-in/", "nobody"))
    assert not found, "\n".join(found)


def reachable(page: Page) -> dict[str, str]:
    """One page of each kind that links lead to from the start; each must open."""
    found: dict[str, str] = {}
    waiting = ["/"]
    while waiting:
        path = waiting.pop(0)
        kind = RECORD.sub("*", path)
        if kind not in found and (text := page_text(page, path)) is not None:
            found[kind] = path
            waiting += LINK.findall(text)
    return found


def page_text(page: Page, path: str) -> str | None:
    """What the address answers, unless it is a file to keep."""
    answer = page.request.get(path)
    assert answer.ok, f"{path} answered {answer.status}"
    is_page = answer.headers["content-type"].startswith("text/html")
    return answer.text() if is_page and "content-disposition" not in answer.headers else None


def findings(page: Page, path: str, role: str) -> Iterator[str]:
    """What is wrong with a page, opened once and then turned to each scheme and width.

    Who is signed in can sign out from each. Documents made to be kept, such as a briefing's file or the
    report of a release, stand in no frame; but they are answered as files, which `page_text` leaves out.
    """
    for opened, (scheme, width_px) in enumerate(LOOKS):
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size({"width": width_px, "height": 900})
        if not opened:
            page.goto(path)
            if page.locator(FETCHES_MORE).count():
                page.wait_for_load_state("networkidle")
        page.evaluate(NEXT_FRAME)
        keep_picture(page, f"{role}{path.replace('/', '-')}{scheme}-{width_px}.png")
        here = f"{path} for {role}, {scheme}, {width_px} px"
        if role != "nobody" and not page.get_by_role("button", name="Sign out", exact=True).is_visible():
            yield f"{here}: no button to sign out"
        if width_px == PHONE_PX and (overhang_px := page.evaluate(OVERHANG)):
            yield f"{here}: {overhang_px} px to scroll sideways"
        for violation in Axe().run(page, options=ONLY_WHAT_IS_WRONG).response["violations"]:
            if violation["impact"] in GRAVE:
                nodes = "; ".join(str(node["target"]) for node in violation["nodes"])
                yield f"{here}: {violation['id']} ({violation['help']}) at {nodes}"


def keep_picture(page: Page, name: str) -> None:
    if folder := os.environ.get("RIMWARD_SCREENSHOTS"):
        page.screenshot(path=Path(folder) / name, full_page=True)
