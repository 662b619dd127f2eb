"""A surgeon's way, whole: a spreadsheet brought, its columns and values said, rehearsed, taken in, undone.

The site and its worker are processes of their own here, on a copy of the record, as on a real machine.
"""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from openpyxl import Workbook, load_workbook
from playwright.sync_api import Browser, Page, expect

from tests.browser.test_every_page import findings
from tests.browser.windows import WIDE, path_of, served, sign_in_through_the_form, taken, window_on
from tests.conftest import Cast

pytestmark = [pytest.mark.browser, pytest.mark.any_engine]

WAIT_MS = 60_000
HEADER = ("Hospital no.", "Sex", "Born", "Side", "Operated on", "Surgeon", "Meniscus", "Pattern", "How")
PATTERNS = ("bucket", "long", "fishmouth", "radial")


@pytest.fixture
def old_file(tmp_path: Path) -> Path:
    """Eight operations: a word for a pattern that nobody knows, a column nobody can guess, a day to come."""
    book = Workbook()
    page: Any = book.active
    page.title = "Repairs"
    page.append(HEADER)
    for number in range(8):
        day = date(2099 if number == 5 else 2018, 4, 1 + number)
        born, side, pattern = date(1990, 3, 1 + number), "LR"[number % 2], PATTERNS[number % 4]
        page.append((f"B-{number}", "f", born, side, day, "Dr Oak", "MM", pattern, "ai"))
    path = tmp_path / "old repairs.xlsx"
    book.save(path)
    return path


@pytest.fixture
def site(transactional_db: None, cast: Cast, tmp_path: Path) -> Iterator[str]:
    """The address of a site on a copy of the test's record, in a file that its worker opens too."""
    if connection.vendor != "sqlite":
        pytest.skip("copies a record of SQLite")
    path = tmp_path / "record.sqlite3"
    with closing(sqlite3.connect(path)) as copy:
        connection.connection.backup(copy)
    environment = {name: value for name, value in os.environ.items() if name != "RIMWARD_MODE"}
    settings_module = {"DJANGO_SETTINGS_MODULE": "registry.site.settings"}
    with served({**environment, **settings_module, "DATABASE_URL": f"sqlite:///{path}"}) as address:
        yield address


@pytest.fixture
def window(chromium: Browser, site: str) -> Iterator[Page]:
    """A window on that site, signed in."""
    with window_on(chromium, site, viewport=WIDE) as page:
        sign_in_through_the_form(page, "oak")
        yield page


def test_from_the_spreadsheet_to_the_record_and_back(window: Page, old_file: Path, tmp_path: Path) -> None:
    window.get_by_role("link", name="Intake").click()
    window.get_by_label("File with old records").set_input_files(old_file)
    window.get_by_role("button", name="Bring it").click()
    named(window)
    found = list(findings(window, path_of(window).replace("values", "columns"), "surgeon"))
    window.get_by_role("link", name="Values").click()
    found += findings(window, path_of(window), "surgeon")
    window.get_by_label("'fishmouth' means").select_option(label="Horizontal")
    window.get_by_role("button", name="Save the answers").click()
    window.get_by_role("button", name="Rehearse").click()
    window.get_by_role("heading", name="What the rehearsal found").wait_for(timeout=WAIT_MS)
    found += findings(window, path_of(window), "surgeon-rehearsed")
    marked = load_workbook(taken(window, "Download the file with its problems marked", tmp_path)).active
    assert marked is not None
    assert marked.cell(7, 5).comment
    window.get_by_label("Go on without what has a problem").check()
    window.get_by_role("button", name="Take in").click()
    window.get_by_role("heading", name="What it brought").wait_for(timeout=WAIT_MS)
    expect(window.get_by_role("row", name="Operations 7 0 0 1")).to_be_visible()
    window.get_by_label("Reason").fill("Wrong file")
    window.get_by_role("button", name="Undo the intake").click()
    window.get_by_text("All that it brought is withdrawn").first.wait_for(timeout=WAIT_MS)
    assert not found, "\n".join(found)


def named(page: Page) -> None:
    """Say what the column fills that nobody could guess, and see what that asks; then go on."""
    how = page.get_by_label("Column I fills")
    how.fill("operation: date of injury")
    how.press("Tab")
    page.get_by_label("Order of dates in Column I").wait_for(timeout=WAIT_MS)
    how.fill("Repair of tear 1: Techniques")
    how.press("Tab")
    expect(page.get_by_label("Order of dates in Column I")).to_have_count(0)
    page.get_by_role("button", name="Save and go on").click()
