"""Programs run in a process and on a database of their own: what no test can do inside its transaction."""

import os
import subprocess
import sys
from pathlib import Path

import psycopg

PROJECT = Path(__file__).resolve().parents[2]


def printed_by(program: str, database: str, folder: Path) -> str:
    """What a Python program prints that finds the site's settings and the database at this address."""
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=PROJECT,
        env={
            **os.environ,
            "DJANGO_SETTINGS_MODULE": "registry.site.settings",
            "RIMWARD_LOCAL_DIR": str(folder),
            "DATABASE_URL": database,
        },
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return done.stdout.strip()


def database_beside(postgresql_url: str, name: str) -> str:
    """Address of a new, empty database on the same server."""
    with psycopg.connect(postgresql_url, autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name}")
    before, _, options = postgresql_url.partition("?")
    return f"{before.rsplit('/', 1)[0]}/{name}" + (f"?{options}" if options else "")
