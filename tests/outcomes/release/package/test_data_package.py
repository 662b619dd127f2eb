"""datapackage.json under Frictionless: valid as it is, and it notices what it describes being broken."""

import json
import shutil
from hashlib import sha256

import frictionless
import pytest

from outcomes.release.columns import COLUMNS
from outcomes.release.frozen import TABLES

pytestmark = [pytest.mark.any_engine, pytest.mark.filterwarnings("ignore::DeprecationWarning")]


def validated(folder):
    return frictionless.validate(str(folder / "datapackage.json"))


def broken(folder, table, *changes):
    """Change texts of a CSV file, each once; its size and hash are told anew, so that only rules speak."""
    path = folder / f"{table}.csv"
    text = path.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path.write_text(text)
    described = json.loads((folder / "datapackage.json").read_text())
    told = {"bytes": len(text.encode()), "hash": f"sha256:{sha256(text.encode()).hexdigest()}"}
    for resource in described["resources"]:
        resource |= told if resource["name"] == table else {}
    (folder / "datapackage.json").write_text(json.dumps(described))


def test_it_is_valid(unpacked):
    report = validated(unpacked)
    assert report.valid, report.flatten(["taskNumber", "rowNumber", "note"])
    assert [task.name for task in report.tasks] == list(TABLES)
    assert all(task.stats["rows"] for task in report.tasks)


def test_its_fields_are_the_columns_of_the_codebook(unpacked):
    described = json.loads((unpacked / "datapackage.json").read_text())
    for resource in described["resources"]:
        fields = resource["schema"]["fields"]
        assert [field["name"] for field in fields] == [column.name for column in COLUMNS[resource["name"]]]
        assert resource["schema"]["missingValues"][0] == ""
    repairs = {field["name"]: field for field in described["resources"][0]["schema"]["fields"]}
    assert repairs["failed"] | {"description": ""} == {
        "name": "failed",
        "type": "integer",
        "title": "Whether the outcome is failed",
        "description": "",
        "constraints": {"enum": [0, 1]},
    }
    assert repairs["rasped"]["type"] == "boolean"
    assert "enum" in repairs["age"]["constraints"]


def test_what_breaks_it_is_found(unpacked, tmp_path):
    """A code and a type that are not allowed, a repair told twice, a visit of nobody, a changed file."""
    folder = shutil.copytree(unpacked, tmp_path / "copy")
    first, second = (line.split(",")[0] for line in (folder / "repairs.csv").read_text().splitlines()[1:3])
    broken(folder, "repairs", ("censored", "wandered"), (f"\n{second}", f"\n{first}"))
    operation = (folder / "visits.csv").read_text().splitlines()[1].split(",")[0]
    broken(folder, "visits", (operation, "nobody"), ("true", "perhaps"))
    scores = folder / "scores.csv"
    scores.write_text(scores.read_text().replace("1", "2", 1))
    found = {task.name: {kind for kind, *_ in task.flatten(["type"])} for task in validated(folder).tasks}
    assert {"constraint-error", "primary-key"} <= found["repairs"]
    assert found["visits"] == {"foreign-key", "type-error"}
    assert "hash-count" in found["scores"]
    assert found["looks"] <= {"foreign-key"}
