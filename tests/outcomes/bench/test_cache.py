"""`manage.py bench cache`: what it prints, and that what was kept is what is counted anew."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from outcomes.bench import cache
from outcomes.management.commands.bench import BENCHES

ROOT = Path(__file__).parents[3]


def test_hit_rate_and_saving_of_a_database_of_its_own(tmp_path: Path) -> None:
    environment = os.environ | {"RIMWARD_LOCAL_DIR": str(tmp_path)}
    command = [sys.executable, "manage.py", "bench", "cache", "--repairs", "100", "--json"]
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    found = cache.Bench(**json.loads(done.stdout))
    assert found.agree
    assert (found.repairs, found.reads, found.writes) == (100, 60, 3)
    # At most each of six questions is counted anew at the start and after each write but the last.
    assert 60 - 3 * len(cache.QUESTIONS) <= found.hits < 60
    assert found.hit_rate == pytest.approx(found.hits / 60)
    assert found.ratio == pytest.approx(found.anew_seconds / found.kept_seconds)
    assert found.ratio > 1
    assert f"{found.hits} of 60 reads" in BENCHES["cache"].text(found)
    assert done.stderr.splitlines() == [
        "Inventing 100 repairs.",
        "Asking 6 questions 60 times both ways, a write after every 20.",
    ]


def test_a_stale_figure_is_a_failure() -> None:
    found = cache.Bench(100, "sqlite", 60, 3, 45, 0.75, 1.0, 4.0, 4.0, 0.001, agree=False)
    assert not BENCHES["cache"].holds(found)
