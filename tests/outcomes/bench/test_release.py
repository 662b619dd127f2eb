"""`manage.py bench release`: what it prints, and that the package is what it says."""

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from outcomes.bench import release
from outcomes.management.commands.bench import BENCHES

ROOT = Path(__file__).parents[3]
FOUND = release.Bench(
    *(900, 9000, "sqlite", 9, 5, 40, 2**20, 20), *(4.0, 0.5, 8.0, 1.0, 4.0), *(2**28, 2**27, 2**26)
)


@pytest.mark.slow
def test_a_release_beside_plain_writing(tmp_path: Path) -> None:
    environment = os.environ | {"RIMWARD_LOCAL_DIR": str(tmp_path)}
    command = [sys.executable, "manage.py", "bench", "release", "--released", "600", "--json"]
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    found = release.Bench(**json.loads(done.stdout))
    assert found.k >= 5
    assert 300 < found.repairs <= 600 < found.rows_of_all_tables
    assert found.suppressed <= 0.05 * (found.repairs + found.suppressed)
    assert found.ratio == pytest.approx(found.release_seconds / found.sql_seconds)
    assert found.plain_ratio == pytest.approx(found.release_seconds / found.plain_seconds)
    assert found.release_peak_bytes > found.package_bytes


def test_it_tells_the_ratio_and_fails_where_nobody_is_hidden() -> None:
    words = BENCHES["release"].text(FOUND)
    assert "bare SQL          0.5 s, peak memory 128 MiB  (20 statements)\nratio             8.0" in words
    assert "ratio             4.0  (aim: at most 10)" in words
    assert BENCHES["release"].holds(FOUND)
    assert not BENCHES["release"].holds(replace(FOUND, k=1))
