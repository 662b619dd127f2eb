"""What one person does over and over: looks at the pages of a working day, records a visit, corrects one.

Visits are recorded on a knee of one's own. All correct the same few visits, so that they get in each other's
way: who is told that somebody else was first has lost nothing, and is counted apart.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date
from random import Random
from uuid import uuid4

from django.urls import reverse

from outcomes.bench.load.browser import Browser, Page
from registry.pages.corrections import PREFIX as WHY

TODAY, REPAIRS, STORY, SURVIVAL, DUE = "Today", "Repairs", "Knee story", "Survival", "Due"
NEW, RECORDED = "Visit, empty page", "Visit, recorded"
OPENED, CORRECTED = "Correction, opened", "Correction, recorded"
PAGES = (TODAY, DUE, STORY, NEW, RECORDED, OPENED, CORRECTED, REPAIRS, SURVIVAL)
DONE, MEANWHILE = 302, 409
# Values of the two fields that are corrected; no two persons ever enter the same ones.
FLEXIONS, LEAST_FLEXION = 50, 60
MOST_PERSONS = FLEXIONS * 60


@dataclass(frozen=True, slots=True)
class VisitPlace:
    """A visit on record that all correct."""

    knee: str
    visit: str
    seen_on: date


@dataclass
class Person:
    """One of many at work, and what they were told."""

    number: int
    browser: Browser
    knee: str
    days: Iterator[date]
    shared: list[VisitPlace]
    dice: Random
    recorded: list[str] = field(default_factory=list)
    # Reasons of the corrections that were acknowledged.
    corrected: list[str] = field(default_factory=list)
    met: int = 0

    def begin_anew(self) -> None:
        """Forget what was asked and written so far."""
        self.browser.asked, self.recorded, self.corrected, self.met = [], [], [], 0

    def steps(self) -> list[Callable[[], object]]:
        """The day's work, each from another place in it."""
        today, due, story, repairs, survival = self.looks()
        steps = [today, due, story, self.record, repairs, survival, self.correct]
        begin = self.number % len(steps)
        return steps[begin:] + steps[:begin]

    def looks(self) -> list[Callable[[], object]]:
        """The pages that are only looked at."""
        ask = self.browser.ask
        return [
            lambda: ask(TODAY, reverse("today")),
            lambda: ask(DUE, reverse("due")),
            lambda: ask(STORY, reverse("knee_story", args=[self.knee])),
            lambda: ask(REPAIRS, reverse("repairs")),
            lambda: ask(SURVIVAL, reverse("survival")),
        ]

    def record(self) -> VisitPlace | None:
        """A visit on the next free day of one's knee."""
        address, day = reverse("record_event", args=[self.knee, "visit"]), next(self.days)
        page = self.browser.ask(NEW, address)
        if page.status != 200:
            return None
        sent = self._visit(page, day) | {"entry": (key := page.inputs.get("entry", ""))}
        if self.browser.ask(RECORDED, address, sent, right=(DONE,)).status != DONE:
            return None
        self.recorded.append(key)
        return VisitPlace(self.knee, key, day)

    def correct(self) -> None:
        """One of the shared visits, with the mark of what was seen of it."""
        place = self.dice.choice(self.shared)
        address = reverse("correct_event", args=[place.knee, "visit", place.visit])
        page = self.browser.ask(OPENED, address)
        if page.status != 200:
            return
        reason = uuid4().hex
        why = {f"{WHY}-seen": page.inputs.get(f"{WHY}-seen", ""), f"{WHY}-reason": reason}
        sent = self._visit(page, place.seen_on) | why
        told = self.browser.ask(CORRECTED, address, sent, right=(DONE, MEANWHILE)).status
        self.corrected += [reason] * (told == DONE)
        self.met += told == MEANWHILE

    def _visit(self, page: Page, seen_on: date) -> dict[str, str]:
        shown = page.inputs
        flexion = LEAST_FLEXION + self.number % FLEXIONS
        if shown.get("flexion_deg") == str(flexion):
            flexion += FLEXIONS
        return {
            "csrfmiddlewaretoken": shown.get("csrfmiddlewaretoken", ""),
            "seen_on": seen_on.isoformat(),
            "effusion": "none",
            "flexion_deg": str(flexion),
            "extension_deg": str(self.number // FLEXIONS),
        }
