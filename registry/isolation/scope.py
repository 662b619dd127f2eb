"""Whose rows the database shows to this request, command or piece of work: told to PostgreSQL's session.

The scope belongs to the thread of work, not to a connection: a connection that is opened anew within it is
told at once. Without a scope no row of any unit shows. Where the database restricts nobody (SQLite, or the
owner's role) nothing is told and nothing asked.
"""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from typing import Any
from uuid import UUID

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured
from django.db import DEFAULT_DB_ALIAS, Error, connections
from psycopg.pq import TransactionStatus

_KEPT = "rimward_restricted"
EVERY_UNIT = "SELECT coalesce(string_agg(id::text, ','), '') FROM rimward_units_known"
POOLER = (
    "Between the site and PostgreSQL stands a pooler. The scope of a request is told to a session, which a "
    "pooler may give to the request of somebody else. Lead DATABASE_URL to PostgreSQL itself; the site keeps "
    "its own connections (DATABASE_CONNECTION_SECONDS)."
)
LIMITS = ("statement_timeout", "lock_timeout", "idle_in_transaction_session_timeout")


class PoolerError(ImproperlyConfigured):
    """The session is not this connection's alone."""


@dataclass(frozen=True, slots=True)
class Scope:
    """What a session is told: units and person by key, the link or invitation that somebody holds."""

    units: tuple[int, ...] = ()
    person: int | None = None
    link: UUID | None = None
    # SHA-256 of an invitation's token, in hexadecimal.
    invitation: str = ""
    # All units at once, those made meanwhile apart: commands, and the one chain of the ledger.
    house: bool = False
    # Long work: its statements and transactions may last.
    long: bool = False

    def told(self) -> dict[str, str]:
        """As settings of the session."""
        return {
            "rimward.units": ",".join(map(str, self.units)),
            "rimward.person": str(self.person or ""),
            "rimward.link": str(self.link or ""),
            "rimward.invitation": self.invitation,
            "rimward.house": "yes" if self.house else "",
        }


NOBODY = Scope()
_scope: ContextVar[Scope] = ContextVar("scope", default=NOBODY)
_serving: ContextVar[bool] = ContextVar("serving", default=False)


def now() -> Scope:
    """The scope at this moment."""
    return _scope.get()


@contextmanager
def scoped(scope: Scope) -> Iterator[None]:
    """Work within a scope; afterwards, failed or not, the one before holds again."""
    before = _scope.set(scope)
    try:
        tell()
        yield
    finally:
        _scope.reset(before)
        _take_back()


@contextmanager
def serving() -> Iterator[None]:
    """The time of one request, whose scope begins as nobody's and is narrowed once it is known who asks."""
    before = _serving.set(True)
    try:
        with scoped(NOBODY):
            yield
    finally:
        _serving.reset(before)
        _give_up_unfinished()


def is_serving() -> bool:
    """Whether a request is being answered, whose end takes back what it was told."""
    return _serving.get()


def within(units: Iterable[int]) -> Any:
    """Work for these units by key, for whoever works now."""
    return scoped(replace(now(), units=tuple(sorted(set(units))), house=False))


def as_person(person: int | None) -> Any:
    """Work with what is a person's own in sight: their memberships, before these are known."""
    return scoped(replace(now(), person=person))


def whole_house() -> Any:
    """Work for every unit: commands, run by whoever has the database's password, and the ledger's chain."""
    return scoped(replace(now(), units=(), house=True))


def long_work() -> Any:
    """Work whose statements may last: a release, an intake, a command."""
    return scoped(replace(now(), long=True))


def of_job(units: Iterable[int], person: int) -> Any:
    """Work in the background for these units alone, as who asked for it."""
    return scoped(Scope(units=tuple(sorted(set(units))), person=person, long=True))


def narrow(scope: Scope) -> None:
    """Let a scope hold until the one around it ends; only within one."""
    _scope.set(scope)
    tell()


def tell() -> None:
    """Tell the session of the scope, where there is one that heeds it."""
    connection = connections[DEFAULT_DB_ALIAS]
    if connection.connection is not None and not connection.needs_rollback and is_restricted(connection):
        _tell(connection, now())


def _take_back() -> None:
    """Tell the session of the scope that holds again; a session that cannot be told is given up.

    A transaction in which a statement failed takes back by its rollback what it was told, and is told nothing
    more: the refusal would stand in the place of what went wrong.
    """
    connection = connections[DEFAULT_DB_ALIAS]
    if _status(connection) == TransactionStatus.INERROR:
        return
    try:
        tell()
    except Error:
        if connection.in_atomic_block:
            raise
        connection.close()


def _give_up_unfinished() -> None:
    """A session left within a transaction would take back what it was told when that is rolled back."""
    connection = connections[DEFAULT_DB_ALIAS]
    if not connection.in_atomic_block and _status(connection) not in (None, TransactionStatus.IDLE):
        connection.close()


def _status(connection: Any) -> TransactionStatus | None:
    """How a session of PostgreSQL stands; None without one."""
    session = connection.connection
    if session is None or connection.vendor != "postgresql":
        return None
    status: TransactionStatus = session.info.transaction_status
    return status


def is_restricted(connection: Any) -> bool:
    """Whether policies hold for the role of this connection; asked once a connection."""
    if connection.vendor != "postgresql":
        return False
    connection.ensure_connection()
    if getattr(connection, _KEPT, None) is None:
        setattr(connection, _KEPT, _asked(connection))
    return bool(getattr(connection, _KEPT))


def forget_restriction(connection: Any) -> None:
    """Ask again, of a connection whose role has changed."""
    setattr(connection, _KEPT, None)


def on_connecting(connection: Any, **_: Any) -> None:
    """A new connection knows the scope from its first query on.

    Raises
    ------
    PoolerError
        Somebody stands between the site and its session.
    """
    forget_restriction(connection)
    if connection.alias == DEFAULT_DB_ALIAS and is_restricted(connection):
        _tell(connection, now())


def _asked(connection: Any) -> bool | None:
    """None while there is no table yet: to be asked again, since the connection may be kept."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT pg_backend_pid(), (SELECT row_security_active(t) FROM "
            "(SELECT to_regclass('registry_patient')::oid AS t) AS of WHERE t IS NOT NULL)"
        )
        pid, restricted = cursor.fetchone()
    if restricted and pid != connection.connection.info.backend_pid:
        connection.close()
        raise PoolerError(POOLER)
    return restricted  # type: ignore[no-any-return]  # a boolean of the database


def _tell(connection: Any, scope: Scope) -> None:
    told = scope.told() | _limits(scope)
    calls = ["set_config(%s, %s, false)"] * len(told)
    if scope.house:
        calls.append(f"set_config('rimward.units', ({EVERY_UNIT}), false)")
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {', '.join(calls)}", [each for pair in told.items() for each in pair])


def _limits(scope: Scope) -> dict[str, str]:
    limits = settings.DATABASE_LIMITS_OF_LONG_WORK if scope.long else settings.DATABASE_LIMITS
    return {name: limits[name] for name in LIMITS}
