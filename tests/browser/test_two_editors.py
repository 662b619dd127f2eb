"""Two people at one entry in two browsers, and a session that ends under what is typed: nothing is lost."""

from collections.abc import Callable, Iterator
from datetime import date
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from registry.models import BrowserSession, Correction, Draft, Visit
from registry.recording import record
from tests.browser.windows import NAME_THE_VIOLATION
from tests.conftest import Cast
from tests.factories import PASSWORD

pytestmark = pytest.mark.browser

EXPECTED = ("409 (Conflict)", "401 (Unauthorized)")

Open = Callable[[str], Page]


@pytest.fixture
def browser_of(chromium: Browser, live_server: Any, transactional_db: None) -> Iterator[Open]:
    """A browser for each person, signed in; it may complain of a conflict or an ended session only."""
    opened: list[tuple[Page, list[str]]] = []

    def signed_in(username: str) -> Page:
        page = chromium.new_context(base_url=live_server.url).new_page()
        complaints: list[str] = []
        opened.append((page, complaints))
        page.add_init_script(NAME_THE_VIOLATION)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda said: said.type == "error" and complaints.append(said.text))
        page.goto("/sign-in/")
        sign_in_here(page, username)
        return page

    yield signed_in
    for page, complaints in opened:
        page.context.close()
        assert not [words for words in complaints if not any(each in words for each in EXPECTED)], complaints


def sign_in_here(page: Page, username: str) -> None:
    page.get_by_label("Username").fill(username)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name="Sign out").wait_for()


@pytest.fixture
def visit(cast: Cast) -> Visit:
    row = Visit(knee=cast.knee, seen_on=date(2024, 10, 1), flexion_deg=120)
    record(row)
    return row


def address(visit: Visit) -> str:
    return f"/knees/{visit.knee.uuid}/record/visit/{visit.uuid}/"


def test_two_people_correct_one_visit(cast: Cast, visit: Visit, browser_of: Open) -> None:
    first, second = browser_of("oak"), browser_of("clinician")
    for page in (first, second):
        page.goto(address(visit))
    first.get_by_label("Flexion (deg)").fill("130")
    first.get_by_label("Effusion").select_option("slight")
    first.get_by_label("Reason for the correction").fill("read from the notes")
    first.get_by_role("button", name="Record the correction").click()
    expect(first.get_by_text("Visit corrected.")).to_be_visible()

    second.get_by_label("Flexion (deg)").fill("140")
    second.get_by_label("Lachman").fill("2")
    second.get_by_label("Reason for the correction").fill("measured again")
    second.get_by_role("button", name="Record the correction").click()
    told = second.get_by_role("alert")
    expect(told).to_contain_text("Nothing of yours is saved yet.")
    expect(told).to_be_focused()
    expect(told).to_contain_text("read from the notes")
    expect(told.get_by_role("row", name="Visit: Flexion (deg) 130 140")).to_be_visible()
    # What the second typed stands; what the second left alone follows the first.
    expect(second.get_by_label("Flexion (deg)")).to_have_value("140")
    expect(second.get_by_label("Lachman")).to_have_value("2")
    expect(second.get_by_label("Effusion")).to_have_value("slight")
    expect(second.get_by_label("Reason for the correction")).to_have_value("measured again")
    visit.refresh_from_db()
    assert (visit.flexion_deg, visit.lachman) == (130, None)

    second.get_by_role("button", name="Record the correction").click()
    expect(second.get_by_text("Visit corrected.")).to_be_visible()
    visit.refresh_from_db()
    assert (visit.flexion_deg, visit.lachman, visit.effusion) == (140, 2, "slight")
    assert list(Correction.objects.values_list("reason", flat=True)) == [
        "read from the notes",
        "measured again",
    ]
    second.goto(f"/knees/{cast.knee.uuid}/history/")
    act = second.get_by_role("listitem").filter(has_text="measured again").first
    expect(act.get_by_role("deletion").first).to_have_text("before: 130")
    expect(act.get_by_role("insertion").first).to_have_text("since then: 140")


def test_two_people_correct_one_operation(cast: Cast, browser_of: Open) -> None:
    operation = cast.repair.tear.procedure
    path = f"/knees/{cast.knee.uuid}/operations/{operation.uuid}/correct/"
    first, second = browser_of("oak"), browser_of("elm")
    for page in (first, second):
        page.goto(path)
        page.locator("details").evaluate_all("(folded) => folded.forEach((one) => { one.open = true; })")
    for page, minutes in ((first, "40"), (second, "55")):
        page.get_by_label("Tourniquet (min)").fill(minutes)
        page.get_by_label("Reason for the correction").fill(f"{minutes} minutes")
        page.get_by_role("button", name="Record the correction").click()
        page.wait_for_load_state()
    told = second.get_by_role("alert")
    expect(told).to_contain_text("Nothing of yours is saved yet.")
    expect(second.get_by_label("Tourniquet (min)")).to_have_value("55")
    second.get_by_role("button", name="Record the correction").click()
    expect(second.get_by_role("alert")).to_have_count(0)
    operation.refresh_from_db()
    assert operation.tourniquet_min == 55
    assert list(Correction.objects.values_list("reason", flat=True)) == ["40 minutes", "55 minutes"]


def test_a_draft_is_kept_while_one_types(cast: Cast, browser_of: Open) -> None:
    page = browser_of("clinician")
    page.goto(f"/knees/{cast.knee.uuid}/record/visit/")
    page.get_by_label("Flexion (deg)").fill("123")
    expect(page.get_by_role("status")).to_contain_text("Draft kept")
    page.reload()
    expect(page.get_by_label("Flexion (deg)")).to_have_value("123")
    expect(page.get_by_role("alert")).to_contain_text("Filled from your draft")
    page.get_by_label("Date of visit").fill("2024-10-01")
    page.get_by_role("button", name="Record", exact=True).click()
    expect(page.get_by_text("Visit recorded.")).to_be_visible()
    assert not Draft.objects.exists()


def test_what_is_typed_after_the_session_ended_comes_back(cast: Cast, browser_of: Open) -> None:
    page = browser_of("clinician")
    page.goto(f"/knees/{cast.knee.uuid}/record/visit/")
    BrowserSession.objects.all().delete()
    page.get_by_label("Flexion (deg)").fill("123")
    expect(page.get_by_role("status")).to_contain_text("You are signed out")
    expect(page.get_by_label("Flexion (deg)")).to_have_value("123")
    page.get_by_role("status").get_by_role("link", name="Sign in").click()
    sign_in_here(page, "clinician")
    expect(page.get_by_label("Flexion (deg)")).to_have_value("123")
    assert not Visit.objects.exists()


def test_signing_in_in_another_window_lets_the_first_go_on(cast: Cast, browser_of: Open) -> None:
    """Signing in anew changes the token that every form has to carry; the open page takes up the new one."""
    page = browser_of("clinician")
    page.goto(f"/knees/{cast.knee.uuid}/record/visit/")
    BrowserSession.objects.all().delete()
    other = page.context.new_page()
    other.goto("/sign-in/")
    sign_in_here(other, "clinician")
    page.get_by_label("Date of visit").fill("2024-10-01")
    page.get_by_label("Flexion (deg)").fill("123")
    expect(page.get_by_role("status")).to_contain_text("Draft kept")
    page.get_by_role("button", name="Record", exact=True).click()
    expect(page.get_by_text("Visit recorded.")).to_be_visible()


def test_the_class_of_a_second_look_follows_what_is_typed(cast: Cast, browser_of: Open) -> None:
    page = browser_of("clinician")
    page.goto(f"/knees/{cast.knee.uuid}/record/second-look/")
    expect(page.get_by_text("Class: Not classed yet")).to_be_visible()
    page.get_by_label("Healed share of thickness (%)").fill("80")
    expect(page.get_by_text("Class: Partly healed")).to_be_visible()
    page.get_by_label("Healed share of thickness (%)").fill("95")
    page.get_by_label("Healed share of length (%)").fill("100")
    expect(page.get_by_text("Class: Healed")).to_be_visible()
