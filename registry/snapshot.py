"""One consistent sight of the record that keeps nobody from writing."""

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import connection

# On SQLite the site's own transactions take the lock of a writer from the start; a reader needs none.
_BEGIN = {"sqlite": "BEGIN DEFERRED", "postgresql": "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"}


@contextmanager
def snapshot() -> Iterator[None]:
    """What is read within stands as it was at the first query; within a transaction, as that sees it."""
    if connection.in_atomic_block:
        yield
        return
    with connection.cursor() as cursor:
        cursor.execute(_BEGIN[connection.vendor])
    try:
        yield
    finally:
        with connection.cursor() as cursor:
            cursor.execute("ROLLBACK")
