"""Intake from the terminal: rehearsed and gone, taken in, undone, listed; each end with its exit code."""

import io
import json
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from openpyxl import load_workbook

from registry.models import IndexProcedure, Intake
from registry.vocabulary import IntakeState
from tests.conftest import Cast
from tests.registry.intake.old_notes import REPAIRED, text_of

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

HEADER = "Hospital no.;Sex;Born;Side;Operated on;Surgeon;Meniscus;Pattern;Technique"
GOOD = "C-1;f;1990-01-02;L;2019-04-02;Oak;MM;bucket;all inside"
FUTURE = "C-2;m;1991-01-02;R;2099-04-02;Oak;LM;radial;inside out"
UNKNOWN = "C-3;m;1991-01-02;R;2019-04-02;Oak;LM;fishmouth;inside out"


@pytest.fixture
def a_file(tmp_path: Path) -> Any:
    def written(*lines: str) -> str:
        path = tmp_path / "old.csv"
        path.write_text("\n".join([HEADER, *lines]))
        return str(path)

    return written


def run(*words: str, code: int = 0) -> Any:
    """What the command prints as JSON, once it has ended with this exit code."""
    said = io.StringIO()
    who = [] if "--as" in words else ["--as", "oak"]
    try:
        call_command("intake", *words, *who, "--json", stdout=said)
        ended = 0
    except SystemExit as end:
        ended = int(str(end.code))
    assert ended == code
    return json.loads(said.getvalue())


@pytest.mark.usefixtures("cast")
def test_a_rehearsal_leaves_nothing_behind(a_file: Any) -> None:
    said = run("rehearse", a_file(GOOD), "--unit", "northmere")
    assert said["intake"] is None
    assert said["report"]["counts"]["operations"]["new"] == 1
    assert not Intake.objects.exists()
    assert not IndexProcedure.objects.filter(from_old_notes=True).exists()


@pytest.mark.usefixtures("cast")
def test_taken_in_listed_and_undone(a_file: Any) -> None:
    key = run("take-in", a_file(GOOD), "--unit", "northmere")["intake"]
    assert IndexProcedure.objects.filter(from_old_notes=True).count() == 1
    assert run("list") == [{"intake": key, "unit": "northmere", "state": "taken_in", "file": "old.csv"}]
    assert run("take-in", a_file(GOOD), "--unit", "northmere")["intake"] is None
    assert run("undo", key, "--reason", "Wrong file")["state"] == "undone"
    assert not IndexProcedure.objects.filter(from_old_notes=True).exists()
    assert Intake.objects.get().state == IntakeState.UNDONE


@pytest.mark.usefixtures("cast")
def test_problems_keep_a_file_out_unless_they_are_left(a_file: Any, tmp_path: Path) -> None:
    file, marked = a_file(GOOD, FUTURE), tmp_path / "marked.xlsx"
    found = run("take-in", file, "--unit", "northmere", "--annotated", str(marked), code=1)
    [problem] = found["report"]["problems"]
    assert (problem["row"], problem["column"]) == (3, "E")
    page = load_workbook(marked).active
    assert page is not None
    assert page.cell(3, 5).comment
    assert not Intake.objects.exists()
    assert run("take-in", file, "--unit", "northmere", "--leave-refused")["intake"]
    assert IndexProcedure.objects.filter(from_old_notes=True).count() == 1


@pytest.mark.usefixtures("cast")
def test_open_questions_are_answered_in_the_mapping(a_file: Any, tmp_path: Path) -> None:
    file, mapping = a_file(GOOD, UNKNOWN), tmp_path / "mapping.json"
    asked = run("rehearse", file, "--unit", "northmere", "--mapping-out", str(mapping), code=1)
    [question] = asked["questions"]
    assert (question["column"], question["values"]) == ("H", {"fishmouth": 1})
    said = json.loads(mapping.read_text())
    said["sheets"][0]["columns"][7]["meanings"] = {"fishmouth": "horizontal"}
    mapping.write_text(json.dumps(said))
    found = run("rehearse", file, "--unit", "northmere", "--mapping", str(mapping))
    assert found["report"]["counts"]["tears"]["new"] == 2
    assert not Intake.objects.exists()


@pytest.mark.usefixtures("cast")
def test_in_plain_text_it_says_counts_problems_and_how_it_ended(a_file: Any) -> None:
    said = io.StringIO()
    with pytest.raises(SystemExit):
        call_command(
            "intake", "rehearse", a_file(GOOD, FUTURE), "--unit", "northmere", "--as", "oak", stdout=said
        )
    lines = said.getvalue().splitlines()
    assert lines[0].startswith("patients    1 new")
    assert any("row 3, column E (Operated on)" in line for line in lines)
    assert lines[-1] == "Nothing was taken in."


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--unit", "northmere", "--as", "nobody"], "no user named 'nobody'"),
        (["--unit", "northmere", "--as", "clinician"], "clinician may not take in for a unit 'northmere'"),
        (["--unit", "northmere", "--as", "stranger"], "stranger may not take in for a unit 'northmere'"),
        (["--unit", "nowhere", "--as", "oak"], "oak may not take in for a unit 'nowhere'"),
        (["--unit", "northmere", "--as", "oak", "--mapping", "{other}"], "other sheets or columns"),
        (["--unit", "northmere", "--as", "oak", "--mapping", "{broken}"], "not what --mapping-out writes"),
    ],
)
@pytest.mark.usefixtures("cast")
def test_what_cannot_be_is_refused_with_exit_code_2(
    a_file: Any, tmp_path: Path, words: list[str], says: str
) -> None:
    other, broken = tmp_path / "other.json", tmp_path / "broken.json"
    other.write_text(json.dumps(text_of([REPAIRED], "other")[1].as_json()))
    broken.write_text("{}")
    given = [word.format(other=other, broken=broken) for word in words]
    with pytest.raises(CommandError, match=says) as refusal:
        call_command("intake", "rehearse", a_file(GOOD), *given)
    assert refusal.value.returncode == 2
    assert not Intake.objects.exists()


def test_an_unreadable_file_is_refused_with_exit_code_2(cast: Cast, tmp_path: Path) -> None:
    paper = tmp_path / "paper.pdf"
    paper.write_bytes(b"%PDF-1.7")
    for path, says in ((paper, "It is a PDF"), (tmp_path / "none.csv", "No such file")):
        with pytest.raises(CommandError, match=says) as refusal:
            call_command("intake", "rehearse", str(path), "--unit", cast.unit.code, "--as", "oak")
        assert refusal.value.returncode == 2


def test_nobody_undoes_what_is_not_of_their_unit(cast: Cast, a_file: Any) -> None:
    key = run("take-in", a_file(GOOD), "--unit", cast.unit.code)["intake"]
    with pytest.raises(CommandError, match="No intake of stranger's units"):
        call_command("intake", "undo", key, "--as", "stranger", "--reason", "Wrong")
