"""What the software is made of: its bill of materials, its pins, and no secret among its files."""

import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import requires
from pathlib import Path
from typing import Any

import cyclonedx.schema
import jsonschema_rs
import pytest
from django.conf import settings
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

pytestmark = pytest.mark.any_engine

ROOT = Path(settings.BASE_DIR)
SCHEMAS = Path(cyclonedx.schema.__file__).parent / "_res"
SCHEMA = "bom-1.6.SNAPSHOT.schema.json"
BESIDE = ("spdx.SNAPSHOT.schema.json", "jsf-0.82.SNAPSHOT.schema.json")
# These say none in their metadata; the licence lies beside it as a file. pyrage: MIT.
LICENCE_IN_A_FILE = {"pyrage"}
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
PINS = {
    canonicalize_name(name): version
    for name, version in re.findall(r"(?m)^([\w.-]+)==(\S+)$", (ROOT / ".ci/constraints.txt").read_text())
}


@pytest.fixture(scope="module")
def bill(tmp_path_factory: pytest.TempPathFactory) -> str:
    to = tmp_path_factory.mktemp("bill") / "rimward.cdx.json"
    # The schema is held to below, by a faster validator.
    made = subprocess.run(
        [ROOT / ".ci/sbom", to, "--no-validate"], capture_output=True, text=True, timeout=300
    )
    assert made.returncode == 0, made.stderr
    return to.read_text()


@pytest.fixture(scope="module")
def components(bill: str) -> dict[str, Any]:
    return {canonicalize_name(each["name"]): each for each in json.loads(bill)["components"]}


def runtime(names: list[str], seen: set[str]) -> Iterator[str]:
    """Every package that these need to run, by what each installed one says itself."""
    for said in map(Requirement, names):
        name = canonicalize_name(said.name)
        extras = said.extras or {""}
        if name in seen or (said.marker and not said.marker.evaluate({"extra": ""})):
            continue
        seen.add(name)
        yield name
        needed = map(Requirement, requires(name) or [])
        yield from runtime([str(each) for each in needed if _is_needed(each, extras)], seen)


def _is_needed(said: Requirement, extras: set[str]) -> bool:
    if said.marker is None:
        return True
    if any(said.marker.evaluate({"extra": extra}) for extra in extras):
        said.marker = None
        return True
    return False


def test_the_bill_keeps_to_the_schema(bill: str) -> None:
    """The schemas that CycloneDX publishes, as its library ships them."""
    told = json.loads(bill)
    known = {name: json.loads((SCHEMAS / name).read_text()) for name in (SCHEMA, *BESIDE)}
    address = known[SCHEMA]["$id"].rpartition("/")[0]
    beside = [(f"{address}/{name}", known[name]) for name in BESIDE]
    schema = jsonschema_rs.validator_for(known[SCHEMA], registry=jsonschema_rs.Registry(beside))
    assert [f"{each.instance_path}: {each.message}"[:300] for each in schema.iter_errors(told)] == []
    assert not schema.is_valid(told | {"specVersion": 1})
    assert (told["bomFormat"], told["specVersion"]) == ("CycloneDX", "1.6")
    assert told["metadata"]["component"]["name"] == PROJECT["name"]
    assert told["metadata"]["component"]["version"] == PROJECT["version"]


def test_everything_that_runs_is_in_it_with_version_and_licence(components: dict[str, Any]) -> None:
    needed = set(runtime(PROJECT["dependencies"], set()))
    assert len(needed) > len(PROJECT["dependencies"])
    assert needed <= set(components)
    assert [name for name in needed if components[name]["version"] != PINS[name]] == []
    assert {name for name in needed if not components[name].get("licenses")} == LICENCE_IN_A_FILE


def test_everything_installed_is_pinned(components: dict[str, Any]) -> None:
    of_the_environment = {"pip", "setuptools", PROJECT["name"]}
    assert set(components) - of_the_environment <= set(PINS)


def test_a_planted_secret_is_found(tmp_path: Path) -> None:
    planted = tmp_path / "settings.py"
    planted.write_text(
        "API = 'AKIA" + "IOSFODNN7EXAMPLF'\n" + "KEY = '-----BEGIN RSA " + "PRIVATE KEY-----'\n"
    )
    command = [sys.executable, ROOT / ".ci/secrets", planted]
    found = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert found.returncode == 1, found.stderr
    assert [line.rpartition(": ")[2] for line in found.stdout.splitlines()] == [
        "AWS Access Key",
        "Private Key",
    ]
