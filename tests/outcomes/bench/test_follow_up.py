"""`manage.py bench follow-up`: what it prints, and that Due asks as many questions of few as of many."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from outcomes.bench import follow_up
from registry.models import Patient, Unit
from registry.reviews import actionable

ROOT = Path(__file__).parents[3]


@pytest.mark.parametrize("patients", [20, 2000])
def test_due_asks_the_same_number_of_queries_at_20_and_2000_patients(db: None, patients: int) -> None:
    follow_up.invent(patients)
    found = follow_up.measure()
    assert found.patients == Patient.objects.count() == patients
    assert found.waiting == actionable(Unit.objects.all()).count() > 0
    assert found.queries == QUERIES <= follow_up.MOST_QUERIES


# Session, user, units, counts with the page's reviews, their knees, links and what the reader may do.
QUERIES = 7


def test_figures_of_a_database_of_its_own(tmp_path: Path) -> None:
    environment = os.environ | {"RIMWARD_LOCAL_DIR": str(tmp_path)}
    command = [sys.executable, "manage.py", "bench", "follow-up", "--patients", "100", "--json"]
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert set(found) == {
        "patients", "engine", "waiting", "queries", "page_seconds", "sql_seconds", "ratio"
    }  # fmt: skip
    assert found["patients"] == 100
    assert found["ratio"] == pytest.approx(found["page_seconds"] / found["sql_seconds"])
    assert done.stderr.splitlines() == ["Inventing 100 patients.", "Opening Due, and asking its SQL alone."]
