"""One consistent sight of the record that keeps nobody from writing."""

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import connection

# On SQLite the site's own transactions take the lock of a writer from the start; a reader needs none.
_BEGIN = {"sqlite": "BEGIN DEFERRED", "postgresql": "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"}


# Rows that are read a piece at a time are all read in the end; by itself PostgreSQL plans for the first tenth
# of them, which took ten times as long for 10,000 repairs.
_ALL_ROWS = "SET LOCAL cursor_tuple_fraction = 1"


@contextmanager
def snapshot() -> Iterator[None]:
    """What is read within stands as it was at the first query; within a transaction, as that sees it."""
    if connection.in_atomic_block:
        _expect_all_rows()
        yield
        return
    with connection.cursor() as cursor:
        cursor.execute(_BEGIN[connection.vendor])
    try:
        _expect_all_rows()
        yield
    finally:
        with connection.cursor() as cursor:
            cursor.execute("ROLLBACK")


def _expect_all_rows() -> None:
    """Until the transaction ends, the one around a snapshot too, cursors are planned for all their rows."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(_ALL_ROWS)
