"""Killed at ten moments while it is taken in, a file is on record whole, or not at all."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.registry.apart import PROJECT, database_beside


def on_sqlite(request: pytest.FixtureRequest, folder: Path) -> str:
    return f"sqlite:///{folder / 'rimward.sqlite3'}"


def on_postgresql(request: pytest.FixtureRequest, folder: Path) -> str:
    return database_beside(request.getfixturevalue("postgresql_url"), "intake_killed")


@pytest.mark.any_engine
@pytest.mark.parametrize("database", [on_sqlite, pytest.param(on_postgresql, marks=pytest.mark.postgresql)])
def test_everything_or_nothing(database: object, request: pytest.FixtureRequest, tmp_path: Path) -> None:
    address = database(request, tmp_path)  # type: ignore[operator]
    environment = os.environ | {
        "DJANGO_SETTINGS_MODULE": "registry.site.settings",
        "RIMWARD_LOCAL_DIR": str(tmp_path),
        "DATABASE_URL": address,
    }
    command = [sys.executable, "-m", "tests.registry.intake.killing"]
    done = subprocess.run(command, cwd=PROJECT, env=environment, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr[-3000:]
    found = json.loads(done.stdout.splitlines()[-1])
    rows = sum(found["whole"].values())
    assert found["whole"]["Repair"] == found["whole"]["Visit"] == 10
    nothing, everything = ({}, 0, True), (found["whole"], rows, False)
    assert len(found["kills"]) == 10
    for kill in found["kills"]:
        assert (kill["increase"], kill["brought"], kill["file_is_kept"]) in (nothing, everything), kill
        assert (kill["state"] == "taken_in") is (kill["brought"] > 0)
    assert sum(kill["was_running"] for kill in found["kills"]) >= 5
    assert found["again"] >= 1
    assert found["finished"] == [rows] * 10
