"""Many people at once on the real pages of a served demo, beside one alone doing the same.

It writes into the database of the settings, so it asks for the demo there. Every acknowledged write is looked
for afterwards: as many versions as acknowledged corrections, each with its own reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import cycle
from time import monotonic

import numpy as np
from django.db import connection

from outcomes.bench.load.browser import Asked
from outcomes.bench.load.found import Writes, versions_of
from outcomes.bench.load.mix import PAGES, Person, VisitPlace
from outcomes.bench.load.people import clinician, people
from outcomes.bench.load.site import THREADS, WORKERS, served
from registry.models import Patient

# So many visits are corrected by all.
SHARED = 10
NOTHING_TO_CORRECT = "No visit could be recorded to be corrected. Record one by hand to see why."

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Times:
    """One page: how often asked, how often not answered as it should be, seconds at three percentiles."""

    asked: int
    errors: int
    p50: float
    p95: float
    p99: float


@dataclass(frozen=True, slots=True)
class Phase:
    """So many people for so long: all their requests, page by page, and their writes looked up."""

    clients: int
    seconds: float
    all: Times
    error_rate: float
    per_second: float
    pages: dict[str, Times]
    writes: Writes


@dataclass(frozen=True, slots=True)
class Bench:
    """One person alone, then many, on the same pages of the same database."""

    engine: str
    patients: int
    workers: int
    threads: int
    one: Phase
    many: Phase

    @property
    def holds(self) -> bool:
        return all(not each.all.errors and each.writes.none_lost for each in (self.one, self.many))


def run(clients: int, say: Say, *, seconds: int) -> Bench:
    """Serve the demo of this database, and put one person on it, then many, for so many seconds each."""
    who, shared = clinician(clients), list[VisitPlace]()
    with served() as port:
        crowd = people(port, who, clients, shared)
        say("Asking every worker a few times first: what it loads once is not to be measured.")
        _at_once([person.looks() for person in crowd[: WORKERS * THREADS]])
        shared += [place for person in crowd[:SHARED] if (place := person.record())]
        if not shared:
            raise ValueError(NOTHING_TO_CORRECT)
        say(f"One person for {seconds} s.")
        one = _phase(crowd[:1], shared, seconds)
        say(f"{clients} people for {seconds} s.")
        many = _phase(crowd, shared, seconds)
    return Bench(connection.vendor, Patient.objects.count(), WORKERS, THREADS, one, many)


def _phase(crowd: Sequence[Person], shared: Sequence[VisitPlace], seconds: int) -> Phase:
    for person in crowd:
        person.begin_anew()
    before, begun = versions_of(shared), monotonic()
    _at_once([_until(begun + seconds, person) for person in crowd])
    took = monotonic() - begun
    asked = [each for person in crowd for each in person.browser.asked]
    together = _times(asked)
    return Phase(
        clients=len(crowd),
        seconds=took,
        all=together,
        error_rate=together.errors / together.asked,
        per_second=together.asked / took,
        pages={page: _times(each) for page in PAGES if (each := [one for one in asked if one.page == page])},
        writes=Writes.of(crowd, versions_of(shared) - before),
    )


def _until(end: float, person: Person) -> Iterable[Callable[[], object]]:
    for step in cycle(person.steps()):
        if monotonic() > end:
            return
        yield step


def _at_once(work: Sequence[Iterable[Callable[[], object]]]) -> None:
    """Everybody's steps, one after the other, all people side by side; an error of one is raised."""
    with ThreadPoolExecutor(max_workers=len(work)) as pool:
        for _ in pool.map(_done, work):
            pass


def _done(steps: Iterable[Callable[[], object]]) -> None:
    for step in steps:
        step()


def _times(asked: Sequence[Asked]) -> Times:
    seconds = [each.seconds for each in asked]
    p50, p95, p99 = (float(each) for each in np.percentile(seconds, (50, 95, 99)))
    return Times(len(asked), sum(not each.is_right for each in asked), p50, p95, p99)
