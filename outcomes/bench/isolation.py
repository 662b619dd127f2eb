"""The main count and the list of repairs with row-level security and without it, on the record as it is.

Both ways read the same units on the same connection, one after the other, so that the ratio is of one
machine at one time. PostgreSQL alone, as the owner, after `manage.py roles`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from statistics import median
from time import perf_counter
from typing import Any

from django.conf import settings
from django.db import connection, transaction
from django.utils import timezone

from outcomes.cohort import Cohort
from outcomes.counts import count_table
from outcomes.failure import REOPERATION
from outcomes.strata import MAIN_STRATA
from registry.isolation import scope
from registry.models import Repair, Unit

# Aim: no more than so many times as long.
MOST_TIMES = 1.3
LISTED = 50
Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Bench:
    """Median seconds of each question, without policies and with them, and whether both ways agree."""

    repairs: int
    units: int
    rounds: int
    count_plain_seconds: float
    count_seconds: float
    count_ratio: float
    list_plain_seconds: float
    list_seconds: float
    list_ratio: float
    agree: bool


def run(rounds: int, say: Say) -> Bench:
    """Ask both questions so many times each way, in turn."""
    if connection.vendor != "postgresql":
        raise ValueError("SQLite has no policies to be timed. Give a DATABASE_URL of PostgreSQL.")
    units = Unit.objects.all()
    keys = list(units.values_list("pk", flat=True))
    cohort = Cohort(which="all")
    questions: dict[str, Callable[[], Any]] = {
        "count": lambda: count_table(
            cohort.repairs(units), REOPERATION, tuple(MAIN_STRATA.values()), timezone.now().date()
        ),
        "list": lambda: _listed(cohort, units),
    }
    took: dict[str, list[float]] = {f"{name} {way}": [] for name in questions for way in ("plain", "shown")}
    agree = True
    for number in range(rounds):
        say(f"Round {number + 1} of {rounds}.")
        for name, ask in questions.items():
            plain = _timed(took[f"{name} plain"], ask)
            with _as_application(keys):
                shown = _timed(took[f"{name} shown"], ask)
            agree = agree and str(plain) == str(shown)
    middle = {name: median(seconds) for name, seconds in took.items()}
    return Bench(
        repairs=cohort.repairs(units).count(),
        units=len(keys),
        rounds=rounds,
        count_plain_seconds=middle["count plain"],
        count_seconds=middle["count shown"],
        count_ratio=middle["count shown"] / middle["count plain"],
        list_plain_seconds=middle["list plain"],
        list_seconds=middle["list shown"],
        list_ratio=middle["list shown"] / middle["list plain"],
        agree=agree,
    )


def _listed(cohort: Cohort, units: Any) -> list[Repair]:
    repairs = cohort.repairs(units).select_related("tear__procedure__knee__patient", "tear__procedure__unit")
    return list(repairs.order_by("-tear__procedure__operated_on", "pk")[:LISTED])


def _timed(took: list[float], ask: Callable[[], Any]) -> Any:
    begun = perf_counter()
    found = ask()
    took.append(perf_counter() - begun)
    return found


@contextmanager
def _as_application(units: list[int]) -> Iterator[None]:
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute(f"SET LOCAL ROLE {connection.ops.quote_name(settings.APPLICATION_ROLE)}")
        scope.forget_restriction(connection)
        with scope.within(units):
            yield
        with connection.cursor() as cursor:
            cursor.execute("RESET ROLE")
    scope.forget_restriction(connection)


def text(found: Bench) -> str:
    """The figures as plain text."""
    return "\n".join(
        (
            f"{found.repairs:,} repairs of {found.units} units, {found.rounds} rounds, medians",
            f"count        {found.count_seconds:8.3f} s with policies",
            f"             {found.count_plain_seconds:8.3f} s without",
            f"ratio        {found.count_ratio:8.2f}  (aim: at most {MOST_TIMES})",
            f"list         {found.list_seconds:8.3f} s with policies",
            f"             {found.list_plain_seconds:8.3f} s without",
            f"ratio        {found.list_ratio:8.2f}",
        )
    )
