"""The one transaction that takes rows of the record away runs as a role of its own."""

from collections.abc import Iterator
from contextlib import contextmanager

from django.conf import settings
from django.db import DEFAULT_DB_ALIAS, connections

from registry.isolation.scope import is_restricted


def erasing_role() -> str:
    """The role that may delete from the record; the application's may take it up, and does so here alone."""
    return f"{settings.APPLICATION_ROLE}_erasing"


@contextmanager
def as_erasing() -> Iterator[None]:
    """Within a transaction: work as the role of erasures, until the transaction or this ends."""
    connection = connections[DEFAULT_DB_ALIAS]
    if not is_restricted(connection):
        yield
        return
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_user")
        before = cursor.fetchone()[0]
        cursor.execute(f"SET LOCAL ROLE {connection.ops.quote_name(erasing_role())}")
    yield
    with connection.cursor() as cursor:
        cursor.execute(f"SET LOCAL ROLE {connection.ops.quote_name(before)}")
