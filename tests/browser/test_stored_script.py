"""Script in every text that is kept, and what a browser makes of every page that shows it.

Every free text of every table is overwritten, past the record's own checks, by markup that asks for an
address when a browser takes it for markup. The pages come from the site without its Content-Security-Policy,
so that escaping alone has to hold; figures are drawn by their own scripts.
"""

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.apps import apps
from django.contrib.staticfiles import finders
from django.db import IntegrityError, models, transaction
from playwright.sync_api import Browser, Page, Route

from registry import sealing
from registry.models import Correction, Identity, IdentityView, PatientReport, Surgeon, User, triggers
from registry.recording import Act, correct
from tests.registry.one_of_each import one_of_each
from tests.security.asking import pages
from tests.security.house import House

pytestmark = [pytest.mark.browser, pytest.mark.django_db, pytest.mark.any_engine]

# Out of an attribute, out of a script, out of a text; the short one where no more may be kept.
LONG = """'"></script></textarea></title><img src=/ran onerror=ran()><svg onload=ran()>"""
SHORT = """'"><img src=/ran>"""
SITE = "http://stored.example.org"
# Figures are drawn only where there are any: the script that draws them is large.
DRAWN = ("survival", "my_results", "how_sure", "scores", "response", "completeness", "briefing")
APPS = ("registry", "outcomes")
# Texts that nobody types: codes with a list of their own (CHECK), keys, digests, what is sealed or chained.
NOBODY_TYPES = re.compile(
    r"code|digest|sealed|hash|sha256|password|username|slug|_table|kind|state|worker|^lang|^time_zone$|^way$"
    r"|email|content|session_key|^session_data$|^page$|instrument|version|time_point|definition|field"
    r"|^label_|hospital_number|^key$|resource|location|method|request|precision|^token$"
)


def test_no_page_runs_what_was_stored(
    chromium: Browser, tmp_path: Path, settings: Any, record_property: Any
) -> None:
    settings.RELEASES_DIR = tmp_path
    house = House()
    planted = _planted(house)
    site, shown = Site([]), set()
    with _window(chromium, site) as window:
        for address, role in pages("get"):
            if address.name == "briefing_pdf":
                continue  # printed from the same text
            site.text, site.draws = _text(house, role, address.on(house.north)), address.name in DRAWN
            window.goto(f"{SITE}/{address.name}", wait_until="load")
            window.wait_for_timeout(300 if site.draws else 10)
            if "/ran" in site.text:
                shown.add(address.name)
    told = f"Script stored in {len(planted)} texts, shown on {len(shown)} pages, run on none"
    record_property("said at the end", told)
    assert not site.ran, "\n".join(site.ran)
    # Escaped, it is read there: the pages do show what was planted.
    assert {"knee_story", "unit", "named_cohorts", "access_keys", "history", "intakes"} <= shown
    assert len(planted) >= 20


def _text(house: House, role: str, url: str) -> str:
    """A page as it is shown, and a file as if it were opened as one."""
    said = house.clients[role].get(url, follow=True)
    body = b"".join(said.streaming_content) if said.streaming else said.content
    said.close()
    # Files that no browser takes for a page are sent as files, with their kind, and never sniffed.
    return body.decode() if said.headers["Content-Type"].startswith("text/html") else ""


def test_the_test_would_notice(chromium: Browser, tmp_path: Path, settings: Any) -> None:
    """The same window reports the same text unescaped; under the site's own policy it runs nothing."""
    settings.RELEASES_DIR = tmp_path
    policy = House().clients["surgeon"].get("/").headers["Content-Security-Policy"]
    site = Site([], f"<title>t</title>{LONG}")
    with _window(chromium, site) as window:
        window.goto(SITE)
        window.wait_for_timeout(200)
        assert [each for each in site.ran if "called" in each]
        site.ran.clear()
        site.policy = policy
        window.goto(SITE)
        window.wait_for_timeout(200)
        assert not [each for each in site.ran if "called" in each]


# --- planting -------------------------------------------------------------------------------------


def _planted(house: House) -> list[str]:
    """One row of every table beneath the house's own addresses, each free text of it the payload."""
    _one_row_of_each(house)
    triggers.remove("default")
    planted = []
    for model in apps.get_models():
        if model._meta.app_label in APPS:
            planted += [f"{model.__name__}.{name}" for name in _overwritten(model)]
    _sealed_and_chained()
    return planted


def _one_row_of_each(house: House) -> None:
    side = house.north
    surgeon = Surgeon.objects.get(code="oak-3")
    rows = one_of_each(SimpleNamespace(unit=side.unit, oak=surgeon))  # type: ignore[arg-type]
    knee, contact = rows["Knee"], rows["Contact"]
    side.parts |= {
        "knee": knee.uuid,
        "operation": rows["IndexProcedure"].uuid,
        "event": contact.uuid,
        "entry": contact.uuid,
        "report": rows["PatientReport"].uuid,
    }
    contact.source = "letter"
    correct(contact, act=Act(house.people["surgeon"], "a test"))
    IdentityView.objects.create(patient=knee.patient, user=house.people["surgeon"], reason="a test")


def _overwritten(model: type[models.Model]) -> Iterator[str]:
    """The texts of a table that could be overwritten in every row; the database may hold a few to a list."""
    for field in model._meta.get_fields():
        if not isinstance(field, models.CharField | models.TextField) or field.choices:
            continue
        if NOBODY_TYPES.search(field.name) or isinstance(field, models.SlugField):
            continue
        text = LONG if (field.max_length or 999) >= len(LONG) else SHORT
        if (field.max_length or 999) < len(text):
            continue
        try:
            with transaction.atomic():
                if model._base_manager.update(**{field.name: text}):
                    yield field.name
        except IntegrityError:
            continue  # unique, or held to a form by the database itself


def _sealed_and_chained() -> None:
    """Identities, what patients told, and the words of the ledger and of work in hand."""
    Identity.objects.update(**{f"{name}_sealed": sealing.seal(LONG) for name in Identity.FIELDS})
    PatientReport.ever.update(**{f"{word}_sealed": sealing.seal(LONG) for word in PatientReport.WORDS})
    User.objects.update(first_name=LONG, last_name=LONG)
    Correction.objects.update(reason=LONG)
    for name, texts in (("LedgerEntry", "content"), ("ReleaseJob", "asked")):
        for row in apps.get_model("outcomes", name)._base_manager.all():
            said = getattr(row, texts)
            told = json.dumps(_all_planted(json.loads(said) if isinstance(said, str) else said))
            value = told if isinstance(said, str) else json.loads(told)
            type(row)._base_manager.filter(pk=row.pk).update(**{texts: value})


def _all_planted(said: Any) -> Any:
    words = ("project", "purpose", "approval", "recipient", "steward", "cohort_name", "by", "reason", "text")
    if isinstance(said, dict):
        return {name: LONG if name in words else _all_planted(each) for name, each in said.items()}
    return said


# --- the window -----------------------------------------------------------------------------------


@dataclass
class Site:
    """Answers the window with one text; what a page asks for later is a page of its own, opened as such."""

    ran: list[str]
    text: str = ""
    policy: str = ""
    draws: bool = False

    def answer(self, route: Route) -> None:
        path = urlsplit(route.request.url).path
        if path == "/ran":
            self.ran.append(f"asked for by {route.request.frame.url}")
            route.abort()
        elif route.request.is_navigation_request():
            policy = {"Content-Security-Policy": self.policy} if self.policy else {}
            route.fulfill(body=self.text, headers={"Content-Type": "text/html; charset=utf-8", **policy})
        elif self.draws and (found := finders.find(path.removeprefix("/static/"))):
            route.fulfill(path=found)
        else:
            route.abort()


@contextmanager
def _window(chromium: Browser, site: Site) -> Iterator[Page]:
    context = chromium.new_context()
    window = context.new_page()
    window.route("**/*", site.answer)
    window.expose_function("ran", lambda *_: site.ran.append(f"called on {window.url}"))
    yield window
    context.close()
