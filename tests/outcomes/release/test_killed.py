"""Killed at ten moments, a release leaves no package without an entry and no entry without its package."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.registry.apart import PROJECT

pytestmark = pytest.mark.any_engine


def test_nothing_half_made_is_ever_seen(tmp_path: Path) -> None:
    kept = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "RIMWARD_MODE")}
    environment = kept | {
        "DJANGO_SETTINGS_MODULE": "registry.site.settings",
        "RIMWARD_LOCAL_DIR": str(tmp_path / "local"),
    }
    command = [sys.executable, "-m", "tests.outcomes.release.killing"]
    done = subprocess.run(command, cwd=PROJECT, env=environment, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr[-3000:]
    found = json.loads(done.stdout.splitlines()[-1])
    kills = found["kills"]
    assert len(kills) == 10
    assert {kill["stage"] for kill in kills} == {
        *("asked", "preparing", "freezing", "frozen", "packing", "packed", "entered"),
    }
    assert sum(kill["was_running"] for kill in kills) >= 6
    assert [kill["without_entry"] for kill in kills] == [[]] * 10
    assert [kill["unwritten"] for kill in kills] == [[]] * 10
    assert found["finished"]
    assert set(found["finished"]) == {"released"}
    assert found["verified"] == []
