"""A coordinator's way, whole: form, worker of its own, preview, confirmation, the zip on disk, recall.

The site and its worker are processes of their own here, on a database of their own, as on a real machine.
"""

import hashlib
import os
import re
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.test_every_page import findings
from tests.browser.windows import WAIT_MS, WIDE, path_of, served, sign_in_through_the_form, taken, window_on
from tests.registry.apart import PROJECT

pytestmark = pytest.mark.browser

# Forty patients who allow research, and a cohort of them; says the coordinator's user name.
RECORD = """
import django
django.setup()
from datetime import date, timedelta
from outcomes.naming import name_cohort
from tests import factories
from tests.tables import make_tables

make_tables()
unit = factories.a_unit("northmere")
coordinator = factories.a_person("coordinator", ("coordinator", unit))
oak = factories.a_surgeon(unit, "oak")
for number in range(40):
    operated_on = date(2024, 6, 1) - timedelta(days=20 * number)
    told = {
        "sex": "male" if number % 2 else "female",
        "born_on": date(1970 + number, 5, 17),
        "research_permission": "given",
        "research_permission_on": operated_on,
    }
    knee = factories.a_knee(unit, "left" if number % 3 else "right", **told)
    repair = factories.a_repair(factories.an_operation(unit, oak, knee, operated_on=operated_on))
    if number % 6 == 0:
        factories.a_failure(repair, 200 + number)
    else:
        factories.a_contact(repair, 800 + number)
name_cohort(coordinator, "Everybody", {})
"""


@pytest.fixture
def site(tmp_path: Path) -> Iterator[str]:
    """The address of a site with a record of its own."""
    kept = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "RIMWARD_MODE")}
    environment = {
        **kept,
        "DJANGO_SETTINGS_MODULE": "registry.site.settings",
        "RIMWARD_LOCAL_DIR": str(tmp_path / "local"),
    }
    done = subprocess.run(
        [sys.executable, "-c", RECORD], cwd=PROJECT, env=environment, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr[-3000:]
    with served(environment) as address:
        yield address


@pytest.fixture
def window(chromium: Browser, site: str) -> Iterator[Page]:
    """A window on that site, signed in."""
    with window_on(chromium, site, viewport=WIDE) as page:
        sign_in_through_the_form(page, "coordinator")
        yield page


def test_from_the_form_to_the_zip_and_back(window: Page, tmp_path: Path) -> None:
    found = list(findings(window, "/releases/new/", "coordinator"))
    asked_for(window)
    window.get_by_role("heading", name="What would leave").wait_for(timeout=WAIT_MS)
    of_job = path_of(window)
    found += findings(window, of_job, "coordinator-preview")
    window.get_by_role("button", name="Release it").click()
    window.get_by_role("heading", name=re.compile("Release no. 1")).wait_for(timeout=WAIT_MS)
    of_release = path_of(window)
    package = taken(window, "Download the package", tmp_path)
    told = window.locator("code.whole-hash").first.inner_text()
    assert hashlib.sha256(package.read_bytes()).hexdigest() == told
    with zipfile.ZipFile(package) as files:
        assert {"repairs.csv", "repairs.parquet", "manifest.json"} <= set(files.namelist())
    report = taken(window, "Disclosure report", tmp_path).read_text(encoding="utf-8")
    assert report.lstrip().lower().startswith("<!doctype html>")
    for path in (of_release, "/releases/", "/releases/?verify=yes", "/releases/withdrawn/"):
        found += findings(window, path, "coordinator")
    assert not found, "\n".join(found)
    window.goto(of_release)
    window.get_by_label("Reason").fill("Wrong cohort")
    window.get_by_role("button", name="Recall").click()
    window.get_by_text("Recalled").first.wait_for()
    assert window.get_by_role("link", name="Download the package").count() == 0


def asked_for(page: Page) -> None:
    """Fill in the form as somebody would, with the keyboard's fields by their labels."""
    page.set_viewport_size({"width": 1440, "height": 900})
    page.goto("/releases/new/")
    page.get_by_label("Side").check()
    page.get_by_label("Project").fill("Zones")
    page.get_by_label("Purpose").fill("Failure by zone of the tear")
    page.get_by_label("Approval reference").fill("REC-2026-014")
    page.get_by_label("Recipient", exact=False).first.fill("Institute of invented studies")
    page.get_by_label("data steward").fill("Data office, steward@example.org")
    page.get_by_role("button", name="Prepare").click()
