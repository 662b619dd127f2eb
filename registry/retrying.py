"""A whole transaction run again when the database broke it off only because another was under way.

PostgreSQL ends one of two transactions that wait for each other, or whose results no order would give. The
one that it ended has left nothing behind, so all of it can be done anew. Nothing else is ever tried again:
after a lost connection nobody knows whether the work is on record.
"""

import random
import time
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

import psycopg
from django.db import InterfaceError, OperationalError, connection, models, transaction

T = TypeVar("T")

TRIES = 3
# Seconds before the second try, at most; twice that before the third. Chance keeps the two apart.
LONGEST_WAIT = 0.1

# PostgreSQL, appendix A: serialization_failure and deadlock_detected.
BROKEN_OFF = frozenset({"40001", "40P01"})
# SQLite refuses these at once. A plain SQLITE_BUSY has waited for the whole time-out already.
REFUSED_AT_ONCE = frozenset({"SQLITE_BUSY_SNAPSHOT", "SQLITE_BUSY_RECOVERY"})
# lock_not_available, query_canceled (by its time-out).
TIMED_OUT = frozenset({"55P03", "57014"})
# The same: classes connection_exception, insufficient_resources, operator_intervention but for a query's end.
OUT_OF_SERVICE = ("08", "53", "57P")
NO_FILE = ("SQLITE_FULL", "SQLITE_IOERR", "SQLITE_CANTOPEN")


def retried(work: Callable[[], T]) -> T:
    """Do the work in a transaction of its own, again when it was broken off, at most three times in all.

    `work` must find everything as it was when it is called again: it reads anew what it changes, and does
    nothing outside the database. Within somebody else's transaction it is done once, since only the whole can
    be done again.
    """
    if connection.in_atomic_block:
        return _in_one_transaction(work)
    for tried in range(1, TRIES):
        try:
            return _in_one_transaction(work)
        except OperationalError as error:
            if not is_broken_off(error):
                raise
        time.sleep(random.uniform(0, LONGEST_WAIT * tried))  # noqa: S311 - chance, not a secret
    return _in_one_transaction(work)


def is_broken_off(error: OperationalError) -> bool:
    """Whether the database ended a transaction for the sake of another, leaving nothing of it."""
    state, name = _codes(error)
    return state in BROKEN_OFF or name in REFUSED_AT_ONCE


def is_timed_out(error: OperationalError) -> bool:
    """Whether the database gave up waiting for another; nothing of the transaction is left."""
    state, name = _codes(error)
    return state in TIMED_OUT or name == "SQLITE_BUSY"


def is_out_of_service(error: BaseException | None) -> bool:
    """Whether the database cannot be reached, or has no room; what was under way may be on record or not."""
    if isinstance(error, InterfaceError):
        return True
    cause = error.__cause__ if isinstance(error, OperationalError) else None
    if isinstance(cause, psycopg.OperationalError):
        # None when no server answered at all.
        return cause.sqlstate is None or cause.sqlstate.startswith(OUT_OF_SERVICE)
    return getattr(cause, "sqlite_errorname", "").startswith(NO_FILE)


def _codes(error: OperationalError) -> tuple[str | None, str | None]:
    """PostgreSQL's SQLSTATE and SQLite's name of an error, as far as the driver told one."""
    cause = error.__cause__
    return getattr(cause, "sqlstate", None), getattr(cause, "sqlite_errorname", None)


def _in_one_transaction(work: Callable[[], T]) -> T:
    with transaction.atomic():
        return work()


def retried_with(rows: Iterable[models.Model], work: Callable[[], T]) -> T:
    """The same for work that writes these rows; before it is done again they are as they were given."""
    if connection.in_atomic_block:
        return _in_one_transaction(work)
    given = [(row, _state_of(row)) for row in rows]

    def anew() -> T:
        for row, state in given:
            _put_back(row, state)
        return work()

    return retried(anew)


def _state_of(row: models.Model) -> tuple[dict[str, Any], dict[str, Any]]:
    """Values of a row and what it knows of its place in the database, with the rows it refers to."""
    state = dict(row._state.__dict__)
    state["fields_cache"] = dict(row._state.fields_cache)
    return dict(row.__dict__), state


def _put_back(row: models.Model, given: tuple[dict[str, Any], dict[str, Any]]) -> None:
    values, state = given
    row.__dict__.clear()
    row.__dict__.update(values)
    row._state.__dict__.clear()
    row._state.__dict__.update(state, fields_cache=dict(state["fields_cache"]))
