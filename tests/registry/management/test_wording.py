"""The command that loads wording: all or nothing, every refusal at once, exit codes. Texts are invented."""

import io
import json
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from registry.models import Wording
from registry.scoring.koos import KOOS
from registry.wordings import wording

pytestmark = pytest.mark.django_db

SOUND = "instrument,code,text\nmarx,,Invented heading\nmarx,running,Invented run\nkoos,P1,Invented first\n"
BAD = "instrument,code,text\nmarx,running,Invented\nmarx,walking,Invented\nmarx,cutting,\n"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "wording.csv"
    path.write_text(SOUND)
    return path


def said(*arguments: str) -> str:
    out = io.StringIO()
    call_command("wording", *arguments, stdout=out)
    return out.getvalue()


def refused(*arguments: str) -> str:
    before = list(Wording.objects.values())
    with pytest.raises(CommandError) as refusal:
        said(*arguments)
    assert refusal.value.returncode == 2
    assert list(Wording.objects.values()) == before
    return str(refusal.value)


def test_it_is_loaded_and_counted_and_the_licence_is_told(file: Path) -> None:
    assert "English: 3 texts added, 0 changed, 0 as before." in said("load", str(file), "--language=en")
    file.write_text(SOUND.replace("first", "anew"))
    told = said("load", str(file), "--language=en")
    assert "0 texts added, 1 changed, 2 as before." in told
    assert f"KOOS: {KOOS.licence}" in told
    assert wording("koos", "en") == {"P1": "Invented anew"}


def test_one_bad_row_keeps_the_whole_file_out(file: Path) -> None:
    said("load", str(file), "--language=en")
    file.write_text(BAD)
    told = refused("load", str(file), "--language=en")
    assert "nothing was loaded" in told
    assert "2 to mend" in told
    assert "Row 3, column code has 'walking'" in told
    assert "Row 4, column text has nothing" in told


def test_machines_get_json(file: Path) -> None:
    loaded = json.loads(said("load", str(file), "--language=es", "--json"))
    assert (loaded["added"], loaded["changed"], loaded["language"]) == (3, 0, "es")
    assert set(loaded["licences"]) == {"Marx activity", "KOOS"}
    file.write_text(BAD)
    bad = json.loads(refused("load", str(file), "--language=es", "--json"))["refused"]
    assert bad[1] == {
        "row": 4, "column": "text", "value": "", "rule": "the text is empty",
        "mend": "fill it in or leave the row out",
    }  # fmt: skip


@pytest.mark.parametrize("name", ["missing.csv", "."])
def test_a_file_that_cannot_be_read_is_named(tmp_path: Path, name: str) -> None:
    told = refused("load", str(tmp_path / name), "--language=en")
    assert f"{tmp_path / name} cannot be read" in told


@pytest.mark.parametrize(
    "arguments", [[], ["load"], ["load", "a.csv"], ["load", "a.csv", "--language=xx"], ["example", "kos"]]
)
def test_a_call_that_is_none_is_refused(arguments: list[str]) -> None:
    with pytest.raises(CommandError):
        said(*arguments)


def test_what_is_loaded_is_listed(file: Path) -> None:
    assert "No wording is loaded." in said("list")
    said("load", str(file), "--language=es")
    lines = said("list").splitlines()
    assert lines[0].startswith("koos, es: 1 of 42 items, 1 texts, last loaded 20")
    assert lines[1].startswith("marx, es: 1 of 4 items, 2 texts, last loaded 20")
    listed = json.loads(said("list", "--json"))
    assert [(each["instrument"], each["items"], each["of"]) for each in listed] == [
        ("koos", 1, 42),
        ("marx", 1, 4),
    ]


def test_an_example_has_every_code() -> None:
    lines = said("example", "koos").splitlines()
    assert lines[0] == "instrument,code,text,label"
    assert len(lines) == 2 + len(KOOS.items) * 6
    assert "koos,P1,,Pain frequency" in lines
    assert "koos,P1=4,," in lines
