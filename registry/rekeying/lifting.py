"""Rules of the database that a change of seals has to pass, lifted within its transaction alone.

On SQLite the trigger is dropped and made again, on PostgreSQL disabled and enabled: both are part of the
transaction, so nobody ever finds the table without its rule, and if the work breaks off the rule stands.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import ProgrammingError, connection, transaction

from registry.models.triggers import PREFIX

# A change of a row of the record, and any change of a correction.
_RULES = ("keeps_history", "stays_as_written")
# PostgreSQL: others wait behind whoever waits for a table, so not for long.
WAIT = "2s"


class NotTheOwner(Exception):  # noqa: N818 - said to a person as it stands
    """The role of this connection may not lift a rule."""


@contextmanager
def lifted(table: str) -> Iterator[None]:
    """A transaction in which rows of a table may change without a correction."""
    with transaction.atomic():
        if connection.vendor == "postgresql":
            with _on_postgresql(table):
                yield
        else:
            with _on_sqlite(table):
                yield


@contextmanager
def _on_sqlite(table: str) -> Iterator[None]:
    names = [f"{PREFIX}{table}_{rule}_update" for rule in _RULES]
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND name IN (%s, %s)", names
        )
        found = cursor.fetchall()
        for name, _ in found:
            cursor.execute(f'DROP TRIGGER "{name}"')
        yield
        for _, made_by in found:
            cursor.execute(made_by)


@contextmanager
def _on_postgresql(table: str) -> Iterator[None]:
    quoted = connection.ops.quote_name(table)
    names = [f"{table}_{rule}" for rule in _RULES]
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT tgname FROM pg_trigger WHERE tgrelid = %s::regclass AND tgname = ANY(%s)", [quoted, names]
        )
        found = [connection.ops.quote_name(name) for (name,) in cursor.fetchall()]
        cursor.execute(f"SET LOCAL lock_timeout = '{WAIT}'")
        try:
            if found:
                # Whoever holds a row of it to change it goes first: each would wait for the other otherwise.
                cursor.execute(f"LOCK TABLE {quoted} IN EXCLUSIVE MODE")
            for name in found:
                cursor.execute(f"ALTER TABLE {quoted} DISABLE TRIGGER {name}")
        except ProgrammingError as error:
            raise NotTheOwner from error
        yield
        for name in found:
            cursor.execute(f"ALTER TABLE {quoted} ENABLE TRIGGER {name}")
