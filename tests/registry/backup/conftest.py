"""Installations to be backed up: one on each engine, made once, each with a folder of packages."""

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import uuid4

import dj_database_url
import pyrage
import pytest
from django.conf import settings

from registry.backup.engines import engine_of
from registry.backup.engines.aliases import Config, alias_for
from registry.backup.manifest import Facts
from registry.backup.taking import Taken, take
from registry.site import local_keys
from tests.registry.apart import PROJECT, database_beside

PAIR = pyrage.x25519.Identity.generate()
RECIPIENTS, IDENTITIES = [PAIR.to_public()], [PAIR]


@dataclass(frozen=True)
class Site:
    """An installation: how its database is reached, and where its packages lie."""

    url: str
    releases: Path
    fresh_url: Callable[[], str]

    @property
    def config(self) -> Config:
        return config_of(self.url)

    def fresh(self) -> Config:
        """A database that does not exist yet, on the same engine."""
        return config_of(self.fresh_url())


def config_of(url: str) -> Config:
    config = dict(dj_database_url.parse(url))
    if url.startswith("sqlite"):
        config["OPTIONS"] = settings.DATABASES["default"]["OPTIONS"]
    return config


def facts_of(config: Config) -> Facts:
    """What a backup's manifest would tell of a database."""
    with alias_for(config) as alias:
        return engine_of(config).facts(alias)


def made(url: str, folder: Path) -> Path:
    """The installation written; its folder of packages."""
    environment = os.environ | {"DATABASE_URL": url, "RIMWARD_LOCAL_DIR": str(folder)}
    environment |= {f"IDENTITY_{name}": _own(f"IDENTITY_{name}") for name in ("KEYS", "INDEX_KEY")}
    program = [sys.executable, "-m", "tests.registry.backup.site"]
    done = subprocess.run(program, cwd=PROJECT, env=environment, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr[-3000:]
    return folder / "releases"


def _own(name: str) -> str:
    value: Any = getattr(settings, name)
    return value if isinstance(value, str) else ",".join(value)


@pytest.fixture(scope="session")
def on_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Site:
    folder = tmp_path_factory.mktemp("site")
    local_keys.load_or_make(folder)
    url = f"sqlite:///{folder / 'site.sqlite3'}"
    return Site(url, made(url, folder), lambda: f"sqlite:///{folder / uuid4().hex}.sqlite3")


@pytest.fixture(scope="session")
def on_postgresql(postgresql_url: str, tmp_path_factory: pytest.TempPathFactory) -> Site:
    url = database_beside(postgresql_url, f"site_{uuid4().hex[:8]}")
    name = dj_database_url.parse(url)["NAME"]
    releases = made(url, tmp_path_factory.mktemp("site"))
    return Site(url, releases, lambda: url.replace(name, f"fresh_{uuid4().hex[:8]}"))


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def site(request: pytest.FixtureRequest, working: None, settings: Any) -> Site:
    """The installation on either engine."""
    found: Site = request.getfixturevalue(f"on_{request.param}")
    settings.RELEASES_DIR = found.releases
    return found


@pytest.fixture
def sqlite_site(on_sqlite: Site, working: None, settings: Any) -> Site:
    """The one on SQLite alone, for what no engine has a say in."""
    settings.RELEASES_DIR = on_sqlite.releases
    return on_sqlite


@pytest.fixture
def working(settings: Any, tmp_path: Path, django_db_blocker: Any) -> Any:
    """A place to work in, and databases that are no test's own."""
    settings.BACKUP_WORK_DIR = tmp_path / "work"
    settings.RELEASES_DIR = tmp_path / "releases"
    with django_db_blocker.unblock():
        yield


def backup_of(site: Site, path: Path, **options: Any) -> Taken:
    return take(site.config, path, RECIPIENTS, **options)
