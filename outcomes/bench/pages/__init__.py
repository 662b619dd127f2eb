"""Every page of a working day beside plain SQL that answers the same, on the demo of the database at hand.

Each page is opened in a process of its own. Further databases are asked by the same command in a process
with their address, so that sizes and engines can be set beside each other.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Self

from django.conf import settings
from django.db import connection

from outcomes.bench.apart import apart
from outcomes.bench.pages.asked import PAGES, Page
from outcomes.bench.pages.measuring import measured
from registry.models import Repair

MOST_BYTES = 500 * 10**6
CODES = tuple(PAGES)

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Aim:
    """One aim in words, and whether it was met."""

    what: str
    met: bool


@dataclass(frozen=True, slots=True)
class Times:
    """One page: seconds without and with kept results, seconds of the plain SQL, and what it took beside.

    Without kept results `after_seconds` went by after its longest question to the database was answered.
    """

    code: str
    name: str
    role: str
    seconds: float
    after_seconds: float
    kept_seconds: float
    sql_seconds: float
    ratio: float
    kept_ratio: float
    peak_bytes: int
    queries: int
    answer_bytes: int
    agrees: bool
    aims: tuple[Aim, ...]

    @classmethod
    def of(cls, code: str, found: Mapping[str, float]) -> Self:
        page, sql = PAGES[code], found["sql_seconds"]
        ratio, kept_ratio = found["seconds"] / sql, found["kept_seconds"] / sql
        peak = int(found["peak_bytes"])
        return cls(
            code=code,
            name=page.name,
            role=page.role.value,
            seconds=found["seconds"],
            after_seconds=found["after_seconds"],
            kept_seconds=found["kept_seconds"],
            sql_seconds=sql,
            ratio=ratio,
            kept_ratio=kept_ratio,
            peak_bytes=peak,
            queries=int(found["queries"]),
            answer_bytes=int(found["answer_bytes"]),
            agrees=bool(found["agrees"]),
            aims=tuple(_aims(page, ratio, kept_ratio, peak)),
        )

    @classmethod
    def from_json(cls, told: Mapping[str, Any]) -> Self:
        return cls(**{**told, "aims": tuple(Aim(**aim) for aim in told["aims"])})


def _aims(page: Page, ratio: float, kept_ratio: float, peak: int) -> Iterator[Aim]:
    if page.most_times is not None:
        yield Aim(f"at most {page.most_times:g} x SQL", ratio <= page.most_times)
    if page.most_times_kept is not None:
        yield Aim(f"kept at most {page.most_times_kept:g} x SQL", kept_ratio <= page.most_times_kept)
    yield Aim(f"under {MOST_BYTES / 10**6:.0f} MB", peak < MOST_BYTES)


@dataclass(frozen=True, slots=True)
class Bench:
    """The pages of one database, and the same of the further databases asked for."""

    engine: str
    repairs: int
    pages: tuple[Times, ...]
    also: tuple[Bench, ...] = ()

    @property
    def agree(self) -> bool:
        return all(page.agrees for page in self.pages) and all(other.agree for other in self.also)

    @classmethod
    def from_json(cls, told: Mapping[str, Any]) -> Self:
        pages = tuple(Times.from_json(page) for page in told["pages"])
        return cls(told["engine"], told["repairs"], pages)


def run(times: int, say: Say, *, only: Sequence[str], also: Sequence[str]) -> Bench:
    """Time the pages chosen, all unless told otherwise, here and then on each further database."""
    chosen, found = [code for code in PAGES if code in only or not only], []
    repairs = Repair.objects.count()
    for code in chosen:
        say(f"{PAGES[code].name}, {times} times without and with kept results.")
        page = PAGES[code]
        found.append(Times.of(code, apart(lambda page=page: measured(page, times)).found))  # type: ignore[misc]
    others = tuple(_elsewhere(url, times, chosen, say) for url in also)
    return Bench(connection.vendor, repairs, tuple(found), others)


def _elsewhere(url: str, times: int, chosen: Sequence[str], say: Say) -> Bench:
    """The same on another database; its address goes by the environment, for no list of processes to tell."""
    say("The same on a further database.")
    command = (
        sys.executable,
        "manage.py",
        "bench",
        "pages",
        "--json",
        "--openings",
        str(times),
        "--only",
        *chosen,
    )
    done = subprocess.run(  # noqa: S603 - our own command
        command,
        cwd=settings.BASE_DIR,
        env=os.environ | {"DATABASE_URL": url},
        stdout=subprocess.PIPE,
        text=True,
        check=False,
    )
    if not done.stdout.startswith("{"):
        raise ValueError("A further database could not be timed; what the command said stands above.")
    return Bench.from_json(json.loads(done.stdout))
