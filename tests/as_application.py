"""A plugin of pytest: on PostgreSQL, every request of a test's client runs as the application's role.

What a test prepares and looks at afterwards it does as the owner. `-p tests.as_application` with a
DATABASE_URL runs any tests of pages so.
"""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import pytest
from django.conf import settings
from django.db import DatabaseError, connection
from django.test.client import ClientHandler


@pytest.fixture(scope="session", autouse=True)
def application_role(django_db_setup: None, django_db_blocker: Any) -> None:
    # A plugin is loaded before the applications are.
    from registry.isolation import roles

    with django_db_blocker.unblock():
        roles.set_up()


@pytest.fixture(autouse=True)
def requests_as_application(monkeypatch: pytest.MonkeyPatch) -> None:
    answer = ClientHandler.__call__

    def answered(handler: ClientHandler, environ: dict[str, Any]) -> Any:
        with as_application():
            return answer(handler, environ)

    monkeypatch.setattr(ClientHandler, "__call__", answered)


@contextmanager
def as_application() -> Iterator[None]:
    """Work as the application's role on the connection of the test, within its transaction."""
    if connection.settings_dict["ENGINE"].endswith("sqlite3") or not connection.in_atomic_block:
        yield
        return
    take_role(f'SET ROLE "{settings.APPLICATION_ROLE}"')
    try:
        yield
    finally:
        # A broken transaction takes the role along when it is rolled back.
        with suppress(DatabaseError):
            take_role("RESET ROLE")


def take_role(statement: str) -> None:
    from registry.isolation import scope

    with connection.cursor() as cursor:
        cursor.execute(statement)
    scope.forget_restriction(connection)
