"""`manage.py bench partitions`: what it prints, and that engines which count otherwise fail it."""

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from outcomes.bench import partitions
from outcomes.bench.partitions import Bench, Way
from outcomes.management.commands.bench import BENCHES

ROOT = Path(__file__).parents[3]
WAYS = (
    Way("pandas", 3.0, 0.0, 2**30, 6.0, True),
    Way("DuckDB", 0.5, 0.0, 2**28, 1.0, True),
    Way("DuckDB on Dask", 0.25, 2.0, 2**29, 0.5, True),
)
FOUND = Bench(1000, 4, 2, 2**20, 700, 710, WAYS)

pytestmark = pytest.mark.any_engine


@pytest.mark.slow
def test_every_engine_counts_the_same(tmp_path: Path) -> None:
    environment = os.environ | {"RIMWARD_LOCAL_DIR": str(tmp_path)}
    options = ["--repairs", "500", "--partitions", "3", "--json"]
    command = [sys.executable, "manage.py", "bench", "partitions", *options]
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    ways = {way["engine"]: way for way in found["ways"]}
    assert set(ways) >= {partitions.CHECK, partitions.WHOLE, partitions.PARTED}
    assert all(way["agrees"] for way in ways.values())
    assert found["rows_told"] >= found["count_rows"] > 100
    assert all(way["peak_bytes"] > 2**20 for way in ways.values())


def test_it_tells_each_engine_and_fails_where_one_counts_otherwise() -> None:
    said = BENCHES["partitions"].text(FOUND)
    assert "1,000 invented repairs" in said
    assert "DuckDB on Dask      0.25 s    2.00 s    0.50       512 MiB  yes" in said
    assert BENCHES["partitions"].holds(FOUND)
    other = replace(FOUND, ways=(*WAYS[:2], replace(WAYS[2], agrees=False)))
    assert not BENCHES["partitions"].holds(other)
    assert BENCHES["partitions"].text(other).endswith("NO")


def test_no_part_is_refused() -> None:
    with pytest.raises(ValueError, match="--partitions 0"):
        partitions.run(500, lambda said: None, partitions=0)
