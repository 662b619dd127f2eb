"""Figures of an invented registry while people read and write: kept by data version, beside counted anew.

Each read is answered both ways, and both answers have to be equal.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from random import Random
from time import perf_counter
from typing import Any, TypeVar

from django.core.cache import caches
from django.db import connection
from django.utils import timezone

from outcomes.bench import follow_up
from outcomes.cache import RESULTS, data_version
from outcomes.cohort import Cohort
from outcomes.failure import REOPERATION
from outcomes.results import SurvivalResult
from outcomes.strata import MAIN_STRATA
from outcomes.survival import count_repairs, results_of, survival_results
from registry.models import Contact, IndexProcedure, Reoperation, ReoperationOnTear, Repair, Tear, Unit
from registry.recording import record
from registry.vocabulary import ReoperationAction

SEED = 1
# What a meeting goes back and forth between, and how often somebody writes in between.
QUESTIONS = (
    Cohort(),
    Cohort(which="all"),
    Cohort(unit="invented-0"),
    Cohort(unit="invented-1"),
    Cohort(meniscus="medial"),
    Cohort(age="under_40"),
)
READS, READS_A_WRITE = 60, 20
FAILED = 0.1
STRATA = tuple(MAIN_STRATA.values())

Say = Callable[[str], None]
Found = TypeVar("Found")


@dataclass(frozen=True, slots=True)
class Bench:
    """Seconds of all reads both ways, how many were answered from what was kept, and whether all agreed."""

    repairs: int
    engine: str
    reads: int
    writes: int
    hits: int
    hit_rate: float
    kept_seconds: float
    anew_seconds: float
    ratio: float
    version_seconds: float
    agree: bool


@dataclass(frozen=True, slots=True)
class Read:
    """One question answered both ways."""

    hit: bool
    kept_seconds: float
    anew_seconds: float
    agrees: bool


def run(repairs: int, say: Say) -> Bench:
    """Invent a registry in a database of its own, and read and write in it by turns."""
    with follow_up.own_database(), _nothing_kept():
        say(f"Inventing {repairs:,} repairs.")
        follow_up.invent(repairs)
        _fail_some()
        say(
            f"Asking {len(QUESTIONS)} questions {READS} times both ways, a write after every {READS_A_WRITE}."
        )
        return measure()


@contextmanager
def _nothing_kept() -> Iterator[None]:
    """Versions count by database: nothing kept of one may be taken for another's."""
    caches[RESULTS].clear()
    try:
        yield
    finally:
        caches[RESULTS].clear()


def _fail_some() -> None:
    """Operate again on some repairs, so that there are curves to compare."""
    dice, today = Random(SEED), timezone.localdate()  # noqa: S311 - invented data
    tears = [tear for tear in Tear.objects.select_related("procedure") if dice.random() < FAILED]
    again = Reoperation.objects.bulk_create(
        Reoperation(knee_id=tear.procedure.knee_id, operated_on=_between(tear.procedure, today, dice))
        for tear in tears
    )
    ReoperationOnTear.objects.bulk_create(
        ReoperationOnTear(reoperation=each, tear=tear, action=ReoperationAction.PARTIAL_REMOVAL)
        for each, tear in zip(again, tears, strict=True)
    )


def _between(procedure: IndexProcedure, today: date, dice: Random) -> date:
    return procedure.operated_on + (today - procedure.operated_on) * dice.random()


# --- measuring --------------------------------------------------------------------------------


def measure() -> Bench:
    """Ask the questions in a made order, each both ways, and record a call now and then."""
    dice, reads = Random(SEED), []  # noqa: S311 - invented data
    for number in range(1, READS + 1):
        reads.append(_read(dice.choice(QUESTIONS)))
        if number % READS_A_WRITE == 0:
            _write(number)
    kept, anew = sum(read.kept_seconds for read in reads), sum(read.anew_seconds for read in reads)
    hits = sum(read.hit for read in reads)
    return Bench(
        repairs=Repair.objects.count(),
        engine=connection.vendor,
        reads=READS,
        writes=READS // READS_A_WRITE,
        hits=hits,
        hit_rate=hits / READS,
        kept_seconds=kept,
        anew_seconds=anew,
        ratio=anew / kept,
        version_seconds=_timed(data_version)[1],
        agree=all(read.agrees for read in reads),
    )


def _read(cohort: Cohort) -> Read:
    units, today = Unit.objects.all(), timezone.localdate()
    counting: list[str] = []

    def keep(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        if Repair._meta.db_table in sql:
            counting.append(sql)
        return execute(sql, params, many, context)

    with connection.execute_wrapper(keep):
        kept, kept_seconds = _timed(lambda: survival_results(cohort, units, REOPERATION, today, STRATA))
    anew, anew_seconds = _timed(lambda: _anew(cohort, today))
    return Read(not counting, kept_seconds, anew_seconds, kept == anew)


def _anew(cohort: Cohort, today: date) -> list[SurvivalResult]:
    units = Unit.objects.all()
    counted = count_repairs(cohort.repairs(units), REOPERATION, STRATA, today)
    return results_of(counted, cohort.sentence(units), REOPERATION, today, STRATA)


def _write(number: int) -> None:
    """A call to one more patient, through the one way in."""
    procedure = IndexProcedure.objects.order_by("pk")[number]
    record(Contact(knee_id=procedure.knee_id, contacted_on=_yesterday(), source="phone"))


def _yesterday() -> date:
    return timezone.localdate() - timedelta(days=1)


def _timed(ask: Callable[[], Found]) -> tuple[Found, float]:
    begun = perf_counter()
    found = ask()
    return found, perf_counter() - begun
