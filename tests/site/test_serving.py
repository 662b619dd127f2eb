"""How the site is served: what the environment says of its workers, and what these share when forked."""

import json
import subprocess
from pathlib import Path

import pytest

from tests.registry.apart import printed_by
from tests.site.test_canaries import environment_of

WORDS = ["gunicorn", "registry.site.wsgi", "--config=python:registry.site.gunicorn_settings"]
BEFORE_THE_FORK = """
import gc, json, sys, threading
import django
from registry.site import gunicorn_settings
django.setup()
from django.db import connection
connection.ensure_connection()
gunicorn_settings.when_ready(None)
print(json.dumps({
    "preloaded": gunicorn_settings.preload_app,
    "pages": sys.modules.keys() >= {"outcomes.pages.survival", "registry.pages.today"},
    "threads": [each.name for each in threading.enumerate()],
    "connection": repr(connection.connection),
    "frozen": gc.get_freeze_count() > 100_000,
}))
"""


def configured(folder: Path, **given: str) -> subprocess.CompletedProcess[str]:
    """What gunicorn says of its settings under this environment."""
    return subprocess.run(
        [*WORDS, "--print-config"],
        env=environment_of("postgresql://rimward@127.0.0.1:1/rimward", folder) | given,
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
    )


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("WEB_CONCURRENCY", "0"),
        ("WEB_CONCURRENCY", "65"),
        ("WEB_CONCURRENCY", "many"),
        ("WEB_THREADS", "0"),
        ("WEB_THREADS", "four"),
        ("WEB_MAX_REQUESTS", "-1"),
    ],
)
def test_nonsense_is_refused_by_name(tmp_path: Path, name: str, value: str) -> None:
    refused = configured(tmp_path, **{name: value})
    assert refused.returncode != 0
    assert name in refused.stderr


@pytest.mark.parametrize(
    ("given", "held"),
    [
        ({}, {"workers": "2", "threads": "4", "max_requests": "0", "max_requests_jitter": "0"}),
        (
            {"WEB_CONCURRENCY": "5", "WEB_THREADS": "3", "WEB_MAX_REQUESTS": "2000"},
            {"workers": "5", "threads": "3", "max_requests": "2000", "max_requests_jitter": "200"},
        ),
    ],
)
def test_workers_and_threads_are_as_told(tmp_path: Path, given: dict[str, str], held: dict[str, str]) -> None:
    printed = configured(tmp_path, **given)
    assert printed.returncode == 0, printed.stderr
    lines = dict(line.split("=", 1) for line in printed.stdout.splitlines() if "=" in line)
    told = {name.strip(): value.strip() for name, value in lines.items()}
    assert {name: told[name] for name in held} == held


def test_forked_are_all_pages_and_no_connection_and_no_thread(tmp_path: Path) -> None:
    """Two processes on one connection mix up their answers; a thread is not forked, but its locks are."""
    found = json.loads(printed_by(BEFORE_THE_FORK, f"sqlite:///{tmp_path / 'x.sqlite3'}", tmp_path))
    assert found == {
        "preloaded": True,
        "pages": True,
        "threads": ["MainThread"],
        "connection": "None",
        "frozen": True,
    }
