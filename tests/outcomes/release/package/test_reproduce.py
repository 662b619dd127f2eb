"""The programs of the package give the manifest's table from repairs.csv alone."""

import importlib.util
import json
import shutil
import subprocess

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from outcomes.release.effect import landmarks
from tests.outcomes.release.frozen_example import frozen_example
from tests.outcomes.release.package.bare import bare_python, closure

pytestmark = pytest.mark.any_engine

TOLERANCE = 1e-9
ONLY_THESE = """
import importlib.util, sys
found = [name for name in ("django", "plotly", "pyarrow", "statsmodels", "outcomes", "pip") if
         importlib.util.find_spec(name)]
sys.stderr.write(" ".join(found))
"""
# Days at and beside the landmarks, and an early one twice as likely to tie.
DAYS = st.sampled_from([0, 0, 1, 30, 30, 364, 365, 366, 729, 730, 731, 1825, 1826, 1827, 3000])
ENTRIES = st.sampled_from([0, 0, 0, 1, 30, 364, 365, 730])
ROWS = st.lists(st.tuples(DAYS, st.integers(0, 1), ENTRIES), max_size=25)
AWKWARD = {
    "entries on the day of a failure": [(100, 1, 0), (900, 0, 0), (900, 0, 100), (365, 1, 30)],
    "nobody from the start": [(366, 0, 365), (800, 1, 400)],
    "all fail before others enter": [(30, 1, 0), (400, 0, 365), (2000, 1, 365)],
    "ends on day 0": [(0, 1, 0), (0, 0, 0), (900, 1, 0), (2000, 0, 0)],
    "known ends": [(30, 1, 30), (30, 1, 400), (800, 1, 0), (2000, 0, 0)],
    "all fail": [(10, 1, 0), (20, 1, 0), (2000, 1, 0), (1500, 1, 0)],
    "short": [(10, 1, 0), (400, 0, 0)],
    "nobody": [(30, 1, 30)],
}


def table(rows):
    return pd.DataFrame(rows, columns=["days", "failed", "at_risk_from"], dtype="int64")


def assert_agree(found, expected):
    """Rows of year, at risk, failures, survival (None or NaN: not known) against landmarks."""
    assert [tuple(row)[:3] for row in found] == [(one.year, one.at_risk, one.failures) for one in expected]
    own = [np.nan if row[3] is None else row[3] for row in found]
    said = [np.nan if one.survival is None else one.survival for one in expected]
    np.testing.assert_allclose(own, said, rtol=0, atol=TOLERANCE)


def read(printed):
    """The table as printed, without its heading and what follows."""
    rows = [line.split() for line in printed.splitlines()[1:4]]
    return [(int(y), int(n), int(d), None if s == "NA" else float(s)) for y, n, d, s in rows]


@pytest.fixture(scope="module")
def program(unpacked):
    """reproduce.py out of the package, as a module."""
    spec = importlib.util.spec_from_file_location("reproduce", unpacked / "reproduce.py")
    module = importlib.util.module_from_spec(spec)
    # lifelines silences numpy for the whole process; other tests want its warnings.
    with np.errstate():
        spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def python(tmp_path_factory):
    return bare_python(tmp_path_factory.mktemp("bare") / "venv", "pandas", "lifelines")


def test_python_with_only_pandas_and_lifelines_gives_the_manifests_table(python, unpacked):
    others = subprocess.run([python, "-I", "-c", ONLY_THESE], capture_output=True, text=True)
    assert (others.returncode, others.stderr) == (0, "")
    done = subprocess.run([python, "-I", unpacked / "reproduce.py"], capture_output=True, text=True, cwd="/")
    assert (done.returncode, done.stderr) == (0, "")
    assert_agree(read(done.stdout), frozen_example().survival)
    assert float(done.stdout.split()[-1]) <= TOLERANCE


def test_the_bare_python_reaches_no_network(python):
    asked = subprocess.run(
        [python, "-I", "-c", "import socket; socket.create_connection(('127.0.0.1', 9))"],
        capture_output=True,
        text=True,
    )
    assert "PermissionError: socket." in asked.stderr


def test_what_it_needs_is_less_than_what_is_installed():
    names = {each.metadata["Name"].lower() for each in closure(["pandas", "lifelines"])}
    assert {"pandas", "lifelines", "numpy", "scipy"} <= names
    assert not {"django", "pyarrow", "statsmodels"} & names


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=ROWS)
def test_any_table_with_late_entries_and_ends_on_day_0(program, rows):
    with np.errstate(all="ignore"):
        found = program.headline(program.at_risk_while_known(table(rows)))
    assert_agree([tuple(row.values()) for row in found], landmarks(table(rows)))


@pytest.mark.parametrize("rows", AWKWARD.values(), ids=AWKWARD)
def test_awkward_tables(program, rows):
    with np.errstate(all="ignore"):
        found = program.headline(program.at_risk_while_known(table(rows)))
    assert_agree([tuple(row.values()) for row in found], landmarks(table(rows)))


@pytest.mark.parametrize(
    ("change", "code"),
    [
        (lambda said: None, 0),
        (lambda said: said[0].update(survival=said[0]["survival"] + 1e-8), 1),
        (lambda said: said[1].update(at_risk=said[1]["at_risk"] + 1), 1),
        (lambda said: said[2].update(survival=None), 1),
        (lambda said: said.pop(), 1),
    ],
    ids=["as it is", "survival off by 1e-8", "one more at risk", "a survival missing", "a year missing"],
)
def test_a_difference_from_the_manifest_is_told(
    program, unpacked, tmp_path, monkeypatch, capsys, change, code
):
    manifest = json.loads((unpacked / "manifest.json").read_text())
    change(manifest["survival"])
    (tmp_path / "manifest.json").write_text(json.dumps(manifest))
    shutil.copy(unpacked / "repairs.csv", tmp_path)
    monkeypatch.setattr(program, "HERE", tmp_path)
    with np.errstate(all="ignore"):
        assert program.main() == code
    assert "largest difference" in capsys.readouterr().out


def test_without_a_manifest_the_table_is_printed(program, unpacked, tmp_path, monkeypatch, capsys):
    shutil.copy(unpacked / "repairs.csv", tmp_path)
    monkeypatch.setattr(program, "HERE", tmp_path)
    with np.errstate(all="ignore"):
        assert program.main() == 0
    assert_agree(read(capsys.readouterr().out), frozen_example().survival)


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not installed: Rscript not found")
class TestR:
    """reproduce.R with no package but survival."""

    def test_started_elsewhere_it_gives_the_manifests_table(self, unpacked, tmp_path):
        folder = tmp_path / "a folder"
        folder.mkdir()
        for name in ("repairs.csv", "reproduce.R"):
            shutil.copy(unpacked / name, folder)
        assert_agree(read(ran("/", folder / "reproduce.R")), frozen_example().survival)

    def test_awkward_tables(self, unpacked, tmp_path):
        """In one run of R, which works on each folder in turn."""
        for number, rows in enumerate(AWKWARD.values()):
            (tmp_path / str(number)).mkdir()
            table(rows).to_csv(tmp_path / str(number) / "repairs.csv", index=False)
        program, folders = str(unpacked / "reproduce.R"), str(tmp_path)
        run_each = f"for (at in list.dirs({folders!r})[-1]) {{ setwd(at); source({program!r}) }}"
        lines = ran(tmp_path, "-e", run_each).splitlines()
        for number, rows in enumerate(AWKWARD.values()):
            assert_agree(read("\n".join(lines[4 * number : 4 * number + 4])), landmarks(table(rows)))


def ran(folder, *arguments):
    done = subprocess.run(["Rscript", "--vanilla", *arguments], capture_output=True, text=True, cwd=folder)
    assert done.returncode == 0, done.stderr
    return done.stdout
