"""A server's own database with rows of two units, made once, and sessions of the application's role on it."""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg
import pytest

from tests.registry.apart import PROJECT, database_beside

Session = psycopg.Connection[Any]


@dataclass(frozen=True)
class House:
    """Address for the owner and for the application, and what is in the database, unit by unit."""

    owner: str
    application: str
    folder: Path
    units: dict[str, dict[str, Any]]

    @contextmanager
    def session(self, of: str = "") -> Iterator[Session]:
        """A session of the application's role, in the scope of a unit and of its surgeon; else in none."""
        with psycopg.connect(self.application) as connection:
            if of:
                tell(
                    connection, units=self.units[of]["unit"], person=self.units[of]["people"][f"surgeon-{of}"]
                )
            yield connection
            connection.rollback()

    def program(self, module: str, address: str, *options: str) -> str:
        return ran(module, address, self.folder, *options)


def tell(session: Session, **settings: object) -> None:
    for name, value in settings.items():
        session.execute("SELECT set_config(%s, %s, false)", [f"rimward.{name}", str(value)])


def ran(module: str, address: str, folder: Path, *options: str) -> str:
    """What a module of the tests prints as a program."""
    done = subprocess.run(
        [sys.executable, "-m", module, *options],
        cwd=PROJECT,
        env={
            **os.environ,
            "DJANGO_SETTINGS_MODULE": "registry.site.settings",
            "RIMWARD_LOCAL_DIR": str(folder),
            "DATABASE_URL": address,
        },
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr[-6000:]
    return done.stdout


@pytest.fixture(scope="session")
def house(postgresql_url: str, tmp_path_factory: pytest.TempPathFactory) -> House:
    folder = tmp_path_factory.mktemp("isolation")
    owner = database_beside(postgresql_url, "isolation")
    units = json.loads(ran("tests.registry.isolation.two_units", owner, folder))
    user = owner.split("//")[1].split("@")[0]
    return House(owner, owner.replace(f"//{user}@", "//rimward_app@"), folder, units)


@pytest.fixture
def refused(house: House) -> Callable[..., None]:
    """Hold that the application's role is refused a statement, in the scope of northmere."""

    def check(statement: str, *, by: str = "permission denied|must be (owner|superuser)") -> None:
        with house.session("northmere") as session, pytest.raises(psycopg.Error, match=by):
            session.execute(statement)

    return check
