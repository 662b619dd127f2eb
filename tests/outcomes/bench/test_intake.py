"""`manage.py bench intake`: what it prints, and that every row of its made sheet can be taken in."""

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from django.conf import settings

from outcomes.bench import intake
from outcomes.management.commands.bench import BENCHES
from registry.intake.file.reading import read
from registry.models import Patient

FOUND = intake.Bench(
    *(10_000, "sqlite", 2**20, 10_000, 0), *(2.0, 20.0, 90_000), *(2.0, 10.0, 4.0, 5.0), *(2**28, 2**27)
)


def test_every_row_of_the_made_sheet_is_new(db: None) -> None:
    content = intake.made(120)
    assert len(read(content, intake.FILE)[0].rows) == 121
    found = intake.rehearsed(content)
    assert (found["operations"], found["problems"]) == (120, 0)
    assert found["rehearsing"] > 0


def test_bare_writes_the_rows_of_a_taking_in_and_leaves_nothing(db: None) -> None:
    found = intake.bare_seconds(intake.made(120))
    # A row each: patient, identity, knee, operation, tear, repair; a visit of every third.
    assert found["rows"] >= 120 * 6 + 40
    assert found["seconds"] > 0
    assert not Patient.objects.exists()


def test_it_tells_the_ratio_and_the_aim() -> None:
    words = BENCHES["intake"].text(FOUND)
    assert "rehearsal        20.0 s, peak memory 256 MiB  (aim: 30 s for 10,000 rows)" in words
    assert "bare SQL          2.0 s  (what it asks, and 90,000 rows written)\nratio            10.0" in words
    assert "ratio             5.0" in words


@pytest.mark.parametrize("changed", [{"new_operations": 9_999}, {"problems": 1}])
def test_it_fails_where_a_row_is_refused(changed: dict[str, int]) -> None:
    assert BENCHES["intake"].holds(FOUND)
    assert not BENCHES["intake"].holds(replace(FOUND, **changed))


def test_figures_of_databases_of_its_own(tmp_path: Path) -> None:
    command = [sys.executable, "manage.py", "bench", "intake", "--brought", "100", "--json"]
    done = subprocess.run(
        command,
        cwd=settings.BASE_DIR,
        env=os.environ | {"RIMWARD_LOCAL_DIR": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert (found["rows"], found["new_operations"], found["problems"]) == (100, 100, 0)
    assert found["ratio"] == pytest.approx(found["rehearsal_seconds"] / found["sql_seconds"])
