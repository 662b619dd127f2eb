"""What waits and one page of it, by one query: who waits is found once, then counted and listed."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, NamedTuple

from django.core.paginator import Page, Paginator
from django.db.models import Count, DateField, IntegerField, QuerySet, Value
from django.utils import timezone
from django_cte import CTE, with_cte

from registry.models import Unit
from registry.pages.due.asked import Asked, Counts
from registry.reviews import booked, waiting

PAGE_SIZE = 50
# Of a page's number: more pages are not, and no database counts rows beyond all bounds.
MOST_DIGITS = 7
_COUNTED = ("state", "time_point")
_KEYS, _DAYS = ("knee_id", "unit_id"), ("starts_on", "due_on", "closes_on")
# The columns of the query; a row that counts has `n`, one that is listed all others.
_COLUMNS = (*_COUNTED, "n", *_KEYS, *_DAYS, "booked_for")
_NO_NUMBER, _NO_DAY = Value(None, output_field=IntegerField()), Value(None, output_field=DateField())


class Waiting(NamedTuple):
    """One review that waits."""

    state: str
    time_point: str
    knee_id: int
    unit_id: int
    starts_on: date
    due_on: date
    closes_on: date
    booked_for: date | None


@dataclass(frozen=True, slots=True)
class Found:
    """How many wait, and a page of them, the one whose window ends first on top."""

    counts: Counts
    page: "Page[Waiting]"
    lines: Sequence[Waiting]


def found(asked: Asked, units: QuerySet[Unit], person: Any, number: str) -> Found:
    """The page of this number, as far as there is one; one query, or two for a page past the last."""
    rows = asked.of_these(waiting(units, timezone.localdate()), person)
    wanted = max(1, int(number)) if number.isdecimal() and len(number) <= MOST_DIGITS else 1
    counts, lines = _read(asked, rows, wanted)
    paginator: Paginator[Waiting] = Paginator([], PAGE_SIZE)
    paginator.count = counts.total
    page = paginator.get_page(number)
    if page.number != wanted:
        counts, lines = _read(asked, rows, page.number)
    return Found(counts, page, lines)


def _read(asked: Asked, rows: Any, number: int) -> tuple[Counts, Sequence[Waiting]]:
    every = CTE(rows.values(*_COUNTED, *_KEYS, *_DAYS), name="waiting", materialized=True)
    first = (number - 1) * PAGE_SIZE
    in_order = asked.chosen(every.queryset()).order_by("closes_on", "knee_id")[first : first + PAGE_SIZE]
    listed = CTE(in_order.annotate(booked_for=booked(timezone.localdate())), name="listed")
    lines_of = listed.queryset().order_by().annotate(n=_NO_NUMBER).values_list(*_COLUMNS)
    told = _counted(every).union(lines_of, all=True)
    grouped, lines = [], []
    for state, time_point, n, *of_review in with_cte(every, listed, select=told):
        if n is None:
            lines.append(Waiting(state, time_point, *of_review))
        else:
            grouped.append({"state": state, "time_point": time_point, "n": n})
    lines.sort(key=lambda line: (line.closes_on, line.knee_id))
    return asked.counts(grouped), lines


def _counted(every: CTE) -> Any:
    grouped = every.queryset().order_by().values(*_COUNTED).annotate(n=Count("knee_id"))
    nothing = dict.fromkeys(_KEYS, _NO_NUMBER) | dict.fromkeys((*_DAYS, "booked_for"), _NO_DAY)
    return grouped.annotate(**nothing).values_list(*_COLUMNS)
