"""The SQL that a way of doing something sends, kept and sent again bare: what it cannot beat.

Each reading statement counts once, however often it was sent, and every row of it is fetched and dropped.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from time import perf_counter
from typing import Any

from django.db import connection

Query = tuple[str, Any]

AT_ONCE = 5_000
_READING = ("SELECT", "WITH", "(SELECT")


@dataclass(frozen=True, slots=True)
class Sent:
    """A statement with its parameters, and when it was sent and answered in full, by `perf_counter`."""

    query: Query
    begun: float
    ended: float

    @property
    def seconds(self) -> float:
        return self.ended - self.begun


@contextmanager
def kept() -> Iterator[list[Sent]]:
    """Every statement sent within, in its order."""
    sent: list[Sent] = []

    def keep(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        begun = perf_counter()
        found = execute(sql, params, many, context)
        sent.append(Sent((sql, params), begun, perf_counter()))
        return found

    with connection.execute_wrapper(keep):
        yield sent


def reading(sent: list[Sent]) -> list[Query]:
    """The statements that read rows and hold none of them, each once."""
    queries = (each.query for each in sent)
    once = {f"{sql} {params}": (sql, params) for sql, params in queries if _reads(sql)}
    return list(once.values())


def _reads(sql: str) -> bool:
    return sql.lstrip().upper().startswith(_READING) and "FOR UPDATE" not in sql


def seconds(queries: list[Query]) -> float:
    """How long the database takes over these alone, every row fetched."""
    begun = perf_counter()
    for sql, params in queries:
        with connection.cursor() as cursor:
            cursor.execute(sql, params)
            while cursor.fetchmany(AT_ONCE):
                pass
    return perf_counter() - begun
