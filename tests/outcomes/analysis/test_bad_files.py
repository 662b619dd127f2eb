"""Bad files and bad options: exit code 2 and one sentence that names what is wrong, never a traceback."""

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.outcomes.analysis.running import Ended, analyse

FOLLOWED = ("--method", "kaplan-meier", "--duration", "days", "--event", "failed")
GOOD = "days,failed,zone\n10,1,RR\n20,0,RW\n30,1,RR\n"


def refused(ended: Ended) -> str:
    """The one sentence of a refusal."""
    assert ended.code == 2, ended
    assert ended.out == ""
    assert len(ended.err.strip().splitlines()) == 1, ended.err
    assert "Traceback" not in ended.err
    return ended.err.strip()


@pytest.fixture
def refusal(tmp_path: Path):
    """The sentence with which a file of this content is refused."""

    def of(content: str | bytes, *options: str) -> str:
        path = tmp_path / "file.csv"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return refused(analyse(path, *(options or FOLLOWED)))

    return of


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", ["empty"]),
        ("days,failed\n", ["no row"]),
        ("days,zone\n10,RR\n", ["failed"]),
        ("failed\n1\n", ["days"]),
        ("days,failed\n-1,1\n", ["days", "row 2", "-1"]),
        ("days,failed\n10,1\nten,0\n", ["days", "row 3", "ten"]),
        ("days,failed\n10,2\n", ["failed", "row 2", "2"]),
        ("days,failed\n10,yes\n", ["failed", "row 2", "yes"]),
        ("days,failed\n10,1\n,0\n", ["days", "row 3"]),
        ("days,failed\n10,1\n20,\n", ["failed", "row 3"]),
        ("days,failed\ninf,1\n", ["days", "row 2"]),
        ("days,failed\n10,1,7\n", ["row 2"]),
        ("days,failed,days\n10,1,3\n", ["days", "two columns"]),
        (b"PK\x03\x04\x00\x00\xff\xfe", ["UTF-8"]),
        ("days,failed\n10,1\n".encode("utf-16"), ["UTF-8"]),
        (b"days,failed\n\xff\xfe\xfa,1\n", ["UTF-8"]),
    ],
)
def test_a_bad_file_is_named_by_column_and_row(refusal, content, said):
    sentence = refusal(content)
    assert all(words.lower() in sentence.lower() for words in said), sentence


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--method", "magic"), "magic"),
        (("--method", "kaplan-meier", "--duration", "days"), "--event"),
        ((*FOLLOWED, "--at", "soon"), "soon"),
        ((*FOLLOWED, "--at", "-5"), "-5"),
        ((*FOLLOWED, "--conf", "wide"), "wide"),
        ((*FOLLOWED, "--group", "surgeon"), "surgeon"),
        ((*FOLLOWED, "--odds-ratio", "2"), "--odds-ratio"),
        (("--method", "restricted-mean", *FOLLOWED[2:], "--tau", "0"), "0"),
        (("--method", "cox", *FOLLOWED[2:], "--covariates", "age"), "age"),
        (("--method", "cox", *FOLLOWED[2:], "--covariates", "zone", "--reference", "zone=WW"), "WW"),
        (("--method", "cox", *FOLLOWED[2:], "--covariates", "zone"), "events"),
        (("--method", "cusum", "--event", "failed", "--expected", "days"), "days"),
        (("--method", "funnel", "--event", "days", "--total", "failed"), "failed"),
        (("--method", "interval-censored", "--lower", "days", "--upper", "failed"), "days"),
        ((*FOLLOWED, "--entry", "days"), "days"),
    ],
)
def test_a_bad_option_is_named(refusal, options, said):
    assert said in refusal(GOOD, *options)


def test_a_missing_file_is_named(tmp_path):
    assert "nothing.csv" in refused(analyse(tmp_path / "nothing.csv", *FOLLOWED))


CELL = st.one_of(
    st.integers(-5, 50).map(str),
    st.floats().map(str),
    st.text(max_size=6),
    st.sampled_from(
        ["", "NA", "1", "0", "1e400", "0x10", "1,5", "1;0", '"', "=1+1", "\0", "ten", "2026-01-31"]
    ),
)
# A cell that can be no duration at all: whatever else the file holds, it must be refused.
HOPELESS = st.sampled_from(
    ["-1", "-0.5", "ten", "inf", "-inf", "1e400", "2026-01-31", "=1+1", "0x10", "12 d"]
)


@settings(max_examples=250, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(st.lists(st.tuples(st.integers(0, 99), st.integers(0, 1)), max_size=8), HOPELESS, st.randoms())
def test_two_hundred_and_fifty_files_with_a_hopeless_cell(tmp_path_factory, rows, cell, chance):
    lines = [f"{days},{failed}" for days, failed in rows]
    place = chance.randint(0, len(lines))
    lines.insert(place, f"{cell},1")
    path = tmp_path_factory.mktemp("bad") / "file.csv"
    path.write_text("days,failed\n" + "\n".join(lines) + "\n")
    sentence = refused(analyse(path, *FOLLOWED))
    assert "days" in sentence
    assert f"row {place + 2}" in sentence


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(st.lists(st.lists(CELL, max_size=4), max_size=6), st.binary(max_size=12))
def test_whatever_the_file_holds_it_is_answered_or_refused_plainly(tmp_path_factory, rows, tail):
    path = tmp_path_factory.mktemp("odd") / "file.csv"
    path.write_bytes("\n".join(["days,failed", *(",".join(row) for row in rows)]).encode() + tail)
    ended = analyse(path, *FOLLOWED, "--json")
    if ended.code:
        refused(ended)
    else:
        assert ended.out.startswith('{"groups"')


def test_a_real_shell_sees_code_2_and_no_database_is_needed(tmp_path, settings):
    path = tmp_path / "file.csv"
    path.write_text("days,failed\nten,1\n")
    command = [sys.executable, "manage.py", "analyse", path, *FOLLOWED]
    environment = {"DATABASE_URL": "postgresql://nobody@127.0.0.1:1/nowhere", "PATH": ""}
    run = subprocess.run(command, cwd=settings.BASE_DIR, env=environment, capture_output=True, text=True)
    assert (run.returncode, run.stdout) == (2, "")
    assert len(run.stderr.splitlines()) == 1
    path.write_text(GOOD)
    run = subprocess.run(command, cwd=settings.BASE_DIR, env=environment, capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    assert "Kaplan-Meier" in run.stdout
