"""One zip, the same bytes whenever it is made again; its manifest; what is not in it."""

import json
import os
import subprocess
import sys
import zipfile
from dataclasses import asdict, replace
from hashlib import sha256
from pathlib import Path

import pytest

from outcomes.release import package
from outcomes.release.frozen import REPAIRS, TABLES
from outcomes.release.package import NOT_PROMISED, UnknownColumnError
from tests.outcomes.release.frozen_example import ASKED, frozen_example
from tests.outcomes.release.package.conftest import silently

pytestmark = pytest.mark.any_engine

TEXTS = {
    *("datapackage.json", "codebook.csv", "codebook.html", "disclosure-report.html", "method.md"),
    *(
        "reproduce.py",
        "reproduce.R",
        "counts.sql",
        "reporting-items.md",
        "CITATION.cff",
        "data-set.bib",
        "README.md",
    ),
    "manifest.json",
}
# Another process with other hashing of texts, another time zone and another language.
ELSEWHERE = {"PYTHONHASHSEED": "77", "TZ": "Asia/Tokyo", "LC_ALL": "C"}
BUILD = """
import sys, django; django.setup()
from pathlib import Path
from outcomes.release import package
from tests.outcomes.release.frozen_example import frozen_example
sys.stdout.write(package.build(frozen_example(), Path(sys.argv[1]), lambda *said: None))
"""


def test_it_has_every_table_in_every_format_and_every_text_once(packed):
    names = zipfile.ZipFile(packed).namelist()
    formats = ("csv", "parquet", "dta")
    assert sorted(names) == sorted(TEXTS | {f"{table}.{each}" for table in TABLES for each in formats})
    assert names[-1] == "manifest.json"


def test_stata_files_only_on_request(tmp_path):
    without = replace(frozen_example(), asked=replace(ASKED, stata=False))
    package.build(without, tmp_path / "a.zip", silently)
    assert not [name for name in zipfile.ZipFile(tmp_path / "a.zip").namelist() if name.endswith("dta")]


def test_made_again_it_is_the_same_to_the_byte_also_in_another_process(packed, tmp_path):
    again = package.build(frozen_example(), tmp_path / "again.zip", silently)
    assert (tmp_path / "again.zip").read_bytes() == packed.read_bytes()
    assert again == sha256(packed.read_bytes()).hexdigest()

    elsewhere = subprocess.run(
        [sys.executable, "-c", BUILD, tmp_path / "elsewhere.zip"],
        env=os.environ | ELSEWHERE,
        cwd=Path(__file__).parents[4],
        capture_output=True,
        text=True,
        check=True,
    )
    assert elsewhere.stdout == again


def test_another_row_gives_another_package(packed, tmp_path):
    example = frozen_example()
    fewer = replace(example, tables=example.tables | {REPAIRS: example.tables[REPAIRS].iloc[1:]})
    assert package.build(fewer, tmp_path / "fewer.zip", silently) != sha256(packed.read_bytes()).hexdigest()


def test_members_carry_no_day_and_no_owner(packed):
    for member in zipfile.ZipFile(packed).infolist():
        assert member.date_time == (1980, 1, 1, 0, 0, 0)
        assert not member.comment
        # Mode and sizes aside nothing is said of the machine: no field of owners or times.
        assert member.external_attr == 0o644 << 16


def test_the_manifest_has_the_hash_of_each_other_member(packed):
    archive = zipfile.ZipFile(packed)
    said = json.loads(archive.read("manifest.json"))["sha256"]
    others = [name for name in archive.namelist() if name != "manifest.json"]
    assert said == {name: sha256(archive.read(name)).hexdigest() for name in others}


def test_the_manifest_tells_what_was_frozen(unpacked):
    example = frozen_example()
    said = json.loads((unpacked / "manifest.json").read_text())
    assert said["format"] == package.FORMAT_VERSION
    assert [said[name] for name in ("project", "purpose", "approval", "recipient")] == [
        *(ASKED.project, ASKED.purpose, ASKED.approval, ASKED.recipient)
    ]
    assert said["cohort"]["name"] == "Every repair"
    assert said["cohort"]["version"] == 2
    assert said["flow"] == [asdict(step) for step in example.flow]
    assert said["flow"][-1]["remaining"] == said["rows"]["repairs"] == len(example.tables[REPAIRS])
    assert said["survival"] == [asdict(year) for year in example.survival]
    assert said["hidden"]["patients"] == example.hidden.patients >= ASKED.k
    assert said["columns"]["repairs"] == list(example.tables[REPAIRS].columns)
    assert said["not_promised"] == NOT_PROMISED


@pytest.mark.parametrize("kept_back", ["NORTH", "SOUTH", "steward@example.org", "2019-03-04"])
def test_no_unit_no_steward_and_no_day_of_a_filter_is_in_it(packed, kept_back):
    archive = zipfile.ZipFile(packed)
    contents = {name: archive.read(name) for name in archive.namelist()}
    assert not [name for name, content in contents.items() if kept_back.encode() in content]
    assert [name for name, content in contents.items() if ASKED.approval.encode() in content]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"names": "Ash"}, "names too many"),
        ({}, "days missing"),
    ],
)
def test_a_column_that_the_codebook_does_not_know_stops_it(tmp_path, change, said):
    example = frozen_example()
    repairs = example.tables[REPAIRS].assign(**change)
    changed = repairs if change else repairs.drop(columns="days")
    with pytest.raises(UnknownColumnError, match=said):
        package.build(
            replace(example, tables=example.tables | {REPAIRS: changed}), tmp_path / "a.zip", silently
        )
    assert not (tmp_path / "a.zip").exists()


def test_it_tells_how_far_it_is_and_what_that_raises_stops_it_without_a_file(tmp_path):
    heard = []
    package.build(frozen_example(), tmp_path / "a.zip", lambda *said: heard.append(said))
    assert [done for _, done, _ in heard] == list(range(len(heard)))
    assert {total for _, _, total in heard} == {len(heard) - 1}

    def stop(step, done, total):
        if done == 7:
            raise InterruptedError

    with pytest.raises(InterruptedError):
        package.build(frozen_example(), tmp_path / "b.zip", stop)
    assert not (tmp_path / "b.zip").exists()
