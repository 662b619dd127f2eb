"""One page opened several times in a process of its own, each time followed by the plain SQL beside it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from statistics import median
from time import perf_counter
from typing import TypeVar

from django.core.cache import caches
from django.db import connection
from django.test import Client

from outcomes.bench.bare import Query, Sent, kept
from outcomes.bench.memory import peak_bytes
from outcomes.bench.pages.asked import Answers, Page, filled, person_for, units_of
from outcomes.cache import RESULTS
from outcomes.own.monitor import run_lengths
from registry.models import User

NO_COUNT = "{page} counted nothing, so there is no SQL to hold it against."
NOT_SHOWN = "{page} answered with status {status} instead of 200."

Found = TypeVar("Found")


def measured(page: Page, times: int) -> dict[str, float]:
    """Median seconds of the page without and with kept results and of the SQL, after one of each unmeasured.

    Of the page without also the part after its longest question to the database was answered. The peak is
    taken before the plain SQL runs, so that it is the page's alone.
    """
    person = person_for(page.role)
    units = units_of(person)
    client, address = Client(SERVER_NAME="localhost"), page.address(units)
    client.force_login(person)

    def opened() -> bytes:
        response = client.get(address, secure=True)
        if response.status_code != 200:
            raise ValueError(NOT_SHOWN.format(page=page.name, status=response.status_code))
        return response.content

    _forget()
    with kept() as asked:
        answer = opened()
    opened()
    peak = peak_bytes()
    queries = _plain(page, person) or [_count_of(asked, page)]
    answers = _answered(queries)
    return {
        **_timed_in_turn(times, opened, lambda: _answered(queries)),
        "peak_bytes": peak,
        "queries": len(asked),
        "answer_bytes": len(answer),
        "agrees": page.told(answers) == page.known(person, units),
    }


def _timed_in_turn(times: int, page: Callable[[], object], sql: Callable[[], object]) -> dict[str, float]:
    anew, after, again, bare = [], [], [], []
    for _ in range(times):
        _forget()
        begun = perf_counter()
        with kept() as asked:
            page()
        ended = perf_counter()
        anew.append(ended - begun)
        after.append(ended - _longest(asked).ended)
        bare.append(_seconds(sql))
        again.append(_seconds(page))
    named = {"seconds": anew, "after_seconds": after, "kept_seconds": again, "sql_seconds": bare}
    return {name: median(seconds) for name, seconds in named.items()}


def _forget() -> None:
    """Everything worked out so far."""
    caches[RESULTS].clear()
    run_lengths.cache_clear()


def _plain(page: Page, person: User) -> list[Query]:
    return [(sql, None) for sql in filled(page.queries or (), person)]


def _count_of(asked: Sequence[Sent], page: Page) -> Query:
    """The page's own count: of the queries that group, the one that took longest."""
    grouping = [each for each in asked if "GROUP BY" in each.query[0]]
    if not grouping:
        raise ValueError(NO_COUNT.format(page=page.name))
    return _longest(grouping).query


def _longest(asked: Sequence[Sent]) -> Sent:
    return max(asked, key=lambda each: each.seconds)


def _answered(queries: Sequence[Query]) -> Answers:
    answers = []
    with connection.cursor() as cursor:
        for sql, params in queries:
            cursor.execute(sql, params)
            answers.append(cursor.fetchall())
    return answers


def _seconds(do: Callable[[], Found]) -> float:
    begun = perf_counter()
    do()
    return perf_counter() - begun
