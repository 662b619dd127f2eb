"""Recording an operation in a real browser: by keyboard alone, by tap, twice at once, after a time-out."""

from collections.abc import Callable, Iterator
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest
from dateutil.relativedelta import relativedelta
from django.utils import timezone
from playwright.sync_api import Browser, Page, expect

from registry.models import BrowserSession, IndexProcedure, Rehabilitation, SuturePass
from registry.recording import record
from registry.rules.indications import PREREQUISITES
from tests import factories
from tests.conftest import Cast
from tests.factories import PASSWORD
from tests.servers import SAID_AT_THE_END

pytestmark = pytest.mark.browser

NEW = "/operations/new/"
MOST_KEY_PRESSES = 60
HOSPITAL_NUMBER = "4711"
INJURED_DAYS_AGO = 20

# What is pressed in each field, in the order in which Enter leads there: first name, then keys.
# Chromium shows and takes dates as month, day, year here.
IN_FIELD = {
    "patient-hospital_number": HOSPITAL_NUMBER,
    "patient-sex": "f",
    "patient-born_on": "05171999",
    "patient-side": "r",
    "operation-injury_cause": "p",
    "operation-preinjury_tegner": "7",
    "operation-bmi": "24.5",
    "operation-smoking": "n",
    "operation-asa": "1",
    "operation-hka_deg": "-2",
    "operation-cartilage_medial": "1",
    "operation-cartilage_lateral": "0",
    "operation-cartilage_patellofemoral": "2",
    "operation-acl": "tt",
    "operation-posteromedial_look": "l",
    "tear-1-meniscus": "m",
    "tear-1-pattern": "b",
    "tear-1-vascular_zone": "r",
    "tear-1-rim_width_mm": "2.5",
    "tear-1-radial_location": "p",
    "tear-1-depth": "c",
    "tear-1-length_mm": "28",
    "tear-1-tissue": "g",
    "tear-1-unstable": "y",
    "tear-1-treatment": "r",
    "repair-1-all_inside": " ",
    "pass-1-1-number": "7",
    "pass-1-1-configuration": "v",
    "pass-1-1-surface": "u",
    "pass-1-1-suture_size": "2",
    "pass-1-1-spacing_mm": "3",
    "repair-1-stable_at_end": "y",
    "planned-full_weight_bearing_weeks": "6",
    "planned-brace_weeks": "6",
    "planned-flexion_limit_deg": "90",
    "planned-flexion_limit_weeks": "6",
    "planned-sport_return_months": "9",
}
FREE = "0123456789.-"
FOCUSED = "() => (({ name, value, type }) => ({ name, value, type }))(document.activeElement)"


class Keyboard:
    """Presses keys; counts those that are no digit, point or minus of a number, date or hospital number."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.counted = 0
        self.visited: list[str] = []

    @property
    def focused(self) -> dict[str, str]:
        found: dict[str, str] = self.page.evaluate(FOCUSED)
        return found

    def press(self, key: str) -> None:
        here = self.focused
        is_free = key in FREE and (
            here["type"] in ("number", "date") or here["name"] == "patient-hospital_number"
        )
        self.counted += not is_free
        self.page.keyboard.press("Space" if key == " " else key)

    def follow_enter(self, in_field: dict[str, str], last: str = "planned-sport_return_months") -> None:
        """From field to field by Enter alone, until the last is filled in."""
        for _ in range(100):
            here = self.focused
            name = here["name"] or here["value"]
            self.visited.append(name)
            if here["value"] == "all-met":
                self.press(" ")
                expect(self.page.locator("[name=operation-hka_deg]")).to_be_focused()
                continue
            for key in in_field.get(name, ""):
                self.press(key)
            if name == last:
                return
            # A letter that answers yes or no goes on by itself.
            if self.focused["name"] == here["name"]:
                self.press("Enter")
        pytest.fail(f"Enter never reached the last field: {self.visited}")


@pytest.fixture
def injured_on() -> date:
    return timezone.localdate() - timedelta(days=INJURED_DAYS_AGO)


def until_recorded(page: Page) -> None:
    """On the Knee story, with everything that it loads in place."""
    page.wait_for_url("**/knees/*/")
    page.wait_for_load_state("networkidle")


def typed(day: date) -> str:
    return f"{day:%m%d%Y}"


def recorded() -> IndexProcedure:
    return IndexProcedure.objects.get(preinjury_tegner=7)


@pytest.mark.usefixtures("cast")
def test_by_keyboard_alone_for_the_first_time(
    page: Page,
    sign_in: Callable[[str], None],
    injured_on: date,
    record_property: Callable[[str, object], None],
) -> None:
    sign_in("oak")
    page.goto(NEW)
    keyboard = Keyboard(page)
    expect(page.locator("[name=patient-hospital_number]")).to_be_focused()
    keyboard.follow_enter({**IN_FIELD, "operation-injured_on": typed(injured_on)})
    keyboard.press("Control+Enter")
    # The knee is said to be stable, yet the ACL is staged.
    expect(page.get_by_label("Confirmed", exact=True)).to_be_focused()
    keyboard.press(" ")
    keyboard.press("Control+Enter")
    until_recorded(page)
    record_property(
        SAID_AT_THE_END,
        f"A bucket-handle repair with staged ligament surgery, by keyboard alone, for the first time: "
        f"{keyboard.counted} key presses beyond numbers and dates (at most {MOST_KEY_PRESSES}).",
    )
    everything_arrived(injured_on)
    assert keyboard.counted <= MOST_KEY_PRESSES, keyboard.visited


@pytest.mark.usefixtures("cast")
def test_enter_passes_the_button_that_answers_six_questions(
    page: Page, sign_in: Callable[[str], None]
) -> None:
    sign_in("oak")
    page.goto(NEW)
    page.get_by_role("button", name="All six met").focus()
    page.keyboard.press("Enter")
    first = page.locator(f"[name=operation-{next(iter(PREREQUISITES))}]")
    expect(first).to_be_focused()
    expect(first).to_have_value("not_assessed")
    page.keyboard.press("n")
    expect(first).to_have_value("no")
    expect(first).not_to_be_focused()


def everything_arrived(injured_on: date) -> None:
    operation = recorded()
    today = timezone.localdate()
    row_holds(operation.knee.patient, sex="female", born_on=date(1999, 5, 17))
    row_holds(operation.knee, side="right")
    row_holds(
        operation,
        **dict.fromkeys(PREREQUISITES, "yes"),
        operated_on=today,
        injured_on=injured_on,
        injury_date_precision="day",
        injury_cause="pivoting_sport",
        bmi=Decimal("24.5"),
        smoking="never",
        asa=1,
        hka_deg=Decimal("-2.0"),
        cartilage_medial=1,
        cartilage_lateral=0,
        cartilage_patellofemoral=2,
        acl="staged",
        pcl="intact",
        posteromedial_look="through_notch",
        staging="repair_first",
        ligament_planned_on=today + relativedelta(months=3),
    )
    tear = operation.tears.get()
    row_holds(
        tear,
        meniscus="medial",
        pattern="bucket_handle",
        vascular_zone="RR",
        rim_width_mm=Decimal("2.5"),
        rim_zone=1,
        radial_location="posterior",
        depth="complete",
        length_mm=28,
        tissue="good",
        displaced=True,
        unstable=True,
        treatment="repaired",
    )
    row_holds(tear.repair, all_inside=True, inside_out=False, stable_at_end=True)
    row_holds(
        tear.repair.passes.get(), number=7, configuration="vertical", surface="upper", suture_size="2-0"
    )
    row_holds(
        operation.rehabilitation.get(),
        course="planned",
        full_weight_bearing_weeks=6,
        brace_weeks=6,
        flexion_limit_deg=90,
        flexion_limit_weeks=6,
        sport_return_months=9,
    )


def row_holds(row: Any, **values: Any) -> None:
    assert {name: getattr(row, name) for name in values} == values


def test_by_keyboard_alone_as_my_last(
    page: Page,
    cast: Cast,
    sign_in: Callable[[str], None],
    injured_on: date,
    record_property: Callable[[str, object], None],
) -> None:
    a_last_one(cast)
    sign_in("oak")
    page.goto(NEW)
    keyboard = Keyboard(page)
    expect(page.locator("[name=patient-hospital_number]")).to_be_focused()
    # Of two kinds the latest comes first.
    for key in ("Shift+Tab", "Shift+Tab", "Enter"):
        keyboard.press(key)
    page.wait_for_url("**/?like=*")
    expect(page.locator("[name=patient-hospital_number]")).to_be_focused()
    taken_over = page.locator(".is-taken:visible")
    expect(taken_over.filter(has_text="Suture size")).to_have_count(1)
    keyboard.follow_enter(
        {**IN_FIELD, "operation-injured_on": typed(injured_on)}, last="repair-1-stable_at_end"
    )
    keyboard.press("Control+Enter")
    expect(page.get_by_label("Confirmed", exact=True)).to_be_focused()
    keyboard.press(" ")
    keyboard.press("Control+Enter")
    until_recorded(page)
    record_property(
        SAID_AT_THE_END,
        f"The same repair, by keyboard alone, 'as my last': {keyboard.counted} key presses beyond numbers "
        f"and dates (at most {MOST_KEY_PRESSES}).",
    )
    everything_arrived(injured_on)
    assert keyboard.counted <= MOST_KEY_PRESSES, keyboard.visited


def a_last_one(cast: Cast) -> None:
    """An operation of the same kind, with the same habits."""
    last = factories.an_operation(
        cast.unit, cast.oak, operated_on=date(2024, 6, 1), acl="staged", staging="repair_first"
    )
    repair = factories.a_repair(last, pattern="bucket_handle")
    record(
        SuturePass(
            repair=repair,
            number=9,
            configuration="vertical",
            surface="upper",
            suture_size="2-0",
            spacing_mm=3,
        ),
        Rehabilitation(
            procedure=last,
            course="planned",
            full_weight_bearing_weeks=6,
            brace_weeks=6,
            flexion_limit_deg=90,
            flexion_limit_weeks=6,
            sport_return_months=9,
        ),
    )


@pytest.fixture
def phone(chromium: Browser, live_server: Any, transactional_db: None) -> Iterator[Page]:
    context = chromium.new_context(
        base_url=live_server.url, viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True
    )
    yield context.new_page()
    context.close()


@pytest.mark.usefixtures("cast")
def test_by_tap_on_a_phone(phone: Page, injured_on: date) -> None:
    phone.goto("/sign-in/")
    phone.get_by_label("Username").fill("oak")
    phone.get_by_label("Password").fill(PASSWORD)
    phone.get_by_role("button", name="Sign in").tap()
    phone.get_by_role("link", name="Record an operation").first.tap()
    for name, value in TAPPED.items():
        set_by_tap(phone, name, value)
    set_by_tap(phone, "operation-injured_on", injured_on.isoformat())
    phone.get_by_role("button", name="All six met").tap()
    expect(phone.locator("#said")).to_have_text("All six prerequisites are answered yes.")
    phone.locator('.tear-map-cell[data-meniscus="medial"][data-zone="1"]').nth(9).tap()
    expect(phone.locator("[name=tear-1-radial_location]")).to_have_value("posterior")
    expect(phone.locator("[name=operation-staging]")).to_have_value("repair_first")
    assert phone.evaluate("document.documentElement.scrollWidth") == 360
    phone.get_by_role("button", name="Record the operation").tap()
    phone.get_by_label("Confirmed", exact=True).tap()
    phone.get_by_role("button", name="Record the operation").tap()
    until_recorded(phone)
    tear = recorded().tears.get()
    row_holds(tear, meniscus="medial", map_step=10, rim_zone=1, radial_location="posterior", displaced=True)
    row_holds(tear.repair.passes.get(), number=7, configuration="vertical")


TAPPED = {
    "patient-hospital_number": HOSPITAL_NUMBER,
    "patient-sex": "female",
    "patient-born_on": "1999-05-17",
    "patient-side": "right",
    "operation-preinjury_tegner": "7",
    "operation-acl": "staged",
    "tear-1-pattern": "bucket_handle",
    "tear-1-treatment": "repaired",
    "repair-1-all_inside": "on",
    "pass-1-1-number": "7",
    "pass-1-1-configuration": "vertical",
}


def set_by_tap(page: Page, name: str, value: str) -> None:
    control = page.locator(f"[name={name}]")
    control.tap()
    if control.evaluate("control => control.tagName") == "SELECT":
        # The list of choices is the system's own.
        control.select_option(value)
    elif value != "on":
        control.fill(value)


@pytest.fixture
def filled(page: Page, cast: Cast, sign_in: Callable[[str], None], injured_on: date) -> Page:
    """The page filled in, nothing sent yet."""
    sign_in("oak")
    page.goto(NEW)
    for name, value in {**TAPPED, "operation-injured_on": injured_on.isoformat()}.items():
        control = page.locator(f"[name={name}]")
        if control.evaluate("control => control.tagName") == "SELECT":
            control.select_option(value)
        elif value == "on":
            # By key: the page may still move under a mouse while its facts come in.
            control.press("Space")
        else:
            control.fill(value)
    page.locator("[name=tear-1-meniscus]").select_option("medial")
    page.wait_for_load_state("networkidle")
    return page


def test_a_double_click_records_once(filled: Page) -> None:
    filled.get_by_role("button", name="Record the operation").dblclick()
    until_recorded(filled)
    expect(filled.locator(".message")).to_contain_text("recorded")
    assert recorded().tears.count() == 1


def test_a_session_that_ended_loses_nothing(filled: Page) -> None:
    filled.get_by_role("button", name="Add a tear").click()
    expect(filled.locator("[name=tear-2-meniscus]")).to_be_focused()
    filled.locator("[name=tear-2-meniscus]").select_option("lateral")
    filled.locator("[name=tear-2-pattern]").select_option("radial")
    filled.locator("[name=tear-2-treatment]").select_option("left")
    filled.wait_for_load_state("networkidle")
    BrowserSession.objects.all().delete()
    filled.get_by_role("button", name="Record the operation").click()
    filled.get_by_label("Username").fill("oak")
    filled.get_by_label("Password").fill(PASSWORD)
    filled.get_by_role("button", name="Sign in").click()
    expect(filled.locator("[name=patient-hospital_number]")).to_have_value(HOSPITAL_NUMBER)
    expect(filled.locator("[name=tear-2-pattern]")).to_have_value("radial")
    expect(filled.locator("[name=repair-1-all_inside]")).to_be_checked()
    assert not IndexProcedure.objects.filter(preinjury_tegner=7).exists()
    filled.get_by_role("button", name="Record the operation").click()
    until_recorded(filled)
    assert list(recorded().tears.order_by("pk").values_list("pattern", flat=True)) == [
        "bucket_handle",
        "radial",
    ]
    filled.goto(NEW)
    expect(filled.locator("[name=patient-hospital_number]")).to_have_value("")


def test_cards_are_added_copied_and_removed_in_place(filled: Page) -> None:
    said = filled.locator("#said")
    filled.get_by_role("button", name="Copy tear 1").click()
    expect(said).to_have_text("Tear 1 copied as tear 2.")
    expect(filled.locator("[name=tear-2-meniscus]")).to_be_focused()
    expect(filled.locator("[name=tear-2-pattern]")).to_have_value("bucket_handle")
    expect(filled.locator(".is-proposed [name=tear-1-displaced]")).to_have_value("true")
    expect(filled.locator("[name=pass-2-1-number]")).to_have_value("7")
    filled.get_by_role("button", name="Remove tear 1").click()
    expect(said).to_have_text("Tear 1 removed.")
    expect(filled.locator(".tear-card")).to_have_count(1)
    expect(filled.get_by_role("button", name="Add a tear")).to_be_focused()
    filled.get_by_role("button", name="Add passes").click()
    expect(filled.locator("[name=pass-1-2-configuration]")).to_have_value("vertical")
    expect(filled.locator("[name=pass-1-2-number]")).to_be_focused()
    # What stands outside the cards is where it was.
    expect(filled.locator("[name=patient-hospital_number]")).to_have_value(HOSPITAL_NUMBER)


def test_what_is_pressed_while_a_card_is_on_its_way_waits_for_it(filled: Page) -> None:
    filled.get_by_role("button", name="Copy tear 1").click()
    filled.get_by_role("button", name="Record the operation").click()
    until_recorded(filled)
    assert recorded().tears.count() == 2


def test_a_scanned_label_becomes_a_row_and_the_next_is_expected(filled: Page) -> None:
    scan = filled.get_by_label("Scan a label")
    scan.fill("0104012345678901172712311" + "0LOT42")
    scan.press("Enter")
    expect(filled.locator("[name=implant-1-lot]")).to_have_value("LOT42")
    expect(filled.locator("[name=implant-1-expires_on]")).to_have_value("2027-12-31")
    expect(scan).to_be_focused()
    expect(scan).to_have_value("")
    scan.fill("0104012345678902")
    scan.press("Enter")
    expect(filled.locator(".scan .field-errors")).to_contain_text("check digit")
    assert not IndexProcedure.objects.filter(preinjury_tegner=7).exists()


@pytest.mark.parametrize("width_px", [360, 1440])
def test_only_what_is_called_for_is_shown(filled: Page, width_px: int) -> None:
    filled.set_viewport_size({"width": width_px, "height": 900})
    pattern = filled.locator("[name=tear-1-pattern]")
    root_type, ramp_type = (filled.locator(f"[name=tear-1-{name}]") for name in ("root_type", "ramp_type"))
    graft, planned = (filled.locator(f"[name=operation-{name}]") for name in ("graft", "ligament_planned_on"))
    for shown in (root_type, ramp_type, graft):
        expect(shown).to_be_hidden()
    expect(planned).to_be_visible()
    pattern.select_option("root")
    expect(root_type).to_be_visible()
    filled.locator("[name=tear-1-root_distance_mm]").fill("4")
    expect(root_type).to_have_value("2B")
    pattern.select_option("ramp")
    expect(root_type).to_be_hidden()
    expect(ramp_type).to_be_visible()
    filled.locator("[name=operation-acl]").select_option("treated_here")
    expect(graft).to_be_visible()
    # The proposal of a second stage is taken back with its reason.
    expect(planned).to_be_hidden()
    filled.locator("[name=tear-1-treatment]").select_option("removed")
    # A technique still ticked contradicts that, so it stays in sight.
    expect(filled.locator("[name=repair-1-all_inside]")).to_be_visible()
    filled.locator("[name=repair-1-all_inside]").uncheck()
    expect(filled.locator("[name=pass-1-1-number]")).to_be_hidden()


def test_facts_follow_what_is_typed(filled: Page) -> None:
    facts = filled.locator("#facts")
    expect(facts).to_contain_text(f"Acute, {INJURED_DAYS_AGO} days")
    expect(facts).to_contain_text("Staged later")
    expect(facts).to_contain_text("usual 7 to 8 sutures, 7 entered")
    filled.get_by_role("button", name="All six met").click()
    expect(facts).to_contain_text("Within usual indications")
    expect(facts).to_contain_text("'Knee stable or stabilised' is answered yes")
    # What a hand chose stays.
    filled.locator("[name=operation-staging]").select_option("single")
    filled.locator("[name=operation-bmi]").fill("25")
    filled.wait_for_load_state("networkidle")
    expect(filled.locator("[name=operation-staging]")).to_have_value("single")


def test_a_button_pressed_after_the_session_ended_loses_nothing(filled: Page) -> None:
    BrowserSession.objects.all().delete()
    filled.get_by_role("button", name="Add a tear").click()
    filled.get_by_label("Username").fill("oak")
    filled.get_by_label("Password").fill(PASSWORD)
    filled.get_by_role("button", name="Sign in").click()
    expect(filled.locator("[name=tear-1-pattern]")).to_have_value("bucket_handle")
    expect(filled.locator("[name=patient-hospital_number]")).to_have_value(HOSPITAL_NUMBER)
    filled.wait_for_load_state("networkidle")


def test_nothing_is_proposed_in_what_is_on_record(
    page: Page, cast: Cast, sign_in: Callable[[str], None]
) -> None:
    operation = cast.repair.tear.procedure
    factories.corrected(cast.repair.tear, pattern="bucket_handle")
    sign_in("oak")
    page.goto(f"/knees/{operation.knee.uuid}/operations/{operation.uuid}/correct/")
    page.wait_for_load_state("networkidle")
    expect(page.locator("[name=tear-1-displaced]")).to_have_value("unknown")
    page.locator("[name=operation-acl]").select_option("staged")
    expect(page.locator("#facts")).to_contain_text("Staged later")
    expect(page.locator("[name=operation-staging]")).to_have_value("single")
