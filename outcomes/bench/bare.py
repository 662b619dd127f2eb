"""The SQL that a way of doing something sends, kept and sent again bare: what it cannot beat.

Each reading statement counts once, however often it was sent, and every row of it is fetched and dropped.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from time import perf_counter
from typing import Any

from django.db import connection

Query = tuple[str, Any]

AT_ONCE = 5_000
_READING = ("SELECT", "WITH", "(SELECT")


@contextmanager
def kept() -> Iterator[list[Query]]:
    """Every statement sent within, with its parameters, in its order."""
    sent: list[Query] = []

    def keep(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        sent.append((sql, params))
        return execute(sql, params, many, context)

    with connection.execute_wrapper(keep):
        yield sent


def reading(sent: list[Query]) -> list[Query]:
    """The statements that read rows and hold none of them, each once."""
    once = {f"{sql} {params}": (sql, params) for sql, params in sent if _reads(sql)}
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
