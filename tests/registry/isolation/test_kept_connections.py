"""A connection kept from request to request: what one was told shows in no other, however it ended."""

import json
import os
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from tests.registry.apart import PROJECT
from tests.registry.isolation.between import pooled
from tests.registry.isolation.conftest import House
from tests.registry.isolation.kept_urls import ENDING_BADLY

pytestmark = pytest.mark.postgresql
NORTH, SOUTH = "surgeon-northmere", "surgeon-southmere"
LOOK_AT_PATIENTS = "from registry.models import Patient; print(Patient.objects.count())"
UNTOLD = ["", "", ""]
STATUS = {
    "raises": 500,
    "left_open": 200,
    "cut_off": 503,
    "too_slow": 503,
    "locked_elsewhere": 503,
    "idle_for_too_long": 500,
}


@pytest.fixture
def asked(house: House, monkeypatch: pytest.MonkeyPatch) -> Any:
    """What is found when these pages are asked by these people, in one thread."""
    monkeypatch.setenv("DATABASE_STATEMENT_TIMEOUT", "700ms")
    monkeypatch.setenv("DATABASE_IDLE_TIMEOUT", "700ms")

    def ask(*steps: tuple[str, str]) -> list[dict[str, Any]]:
        said: list[dict[str, Any]] = json.loads(
            house.program("tests.registry.isolation.kept", house.application, json.dumps(steps))
        )
        return said

    return ask


def patients(house: House, unit: str) -> list[str]:
    return sorted(house.units[unit]["rows"]["registry_patient"], key=int)


def test_two_units_on_one_connection_see_each_their_own(house: House, asked: Any) -> None:
    north, south, nobody, again = asked(
        ("/shown/", NORTH), ("/shown/", SOUTH), ("/shown/", ""), ("/shown/", NORTH)
    )
    assert len({each["answered"]["pid"] for each in (north, south, nobody, again)}) == 1
    assert north["answered"]["patients"] == again["answered"]["patients"] == patients(house, "northmere")
    assert south["answered"]["patients"] == patients(house, "southmere")
    assert nobody["answered"]["patients"] == []
    assert north["answered"]["told"][0] == str(house.units["northmere"]["unit"])
    for each in (north, south, nobody, again):
        assert each["kept"]
        assert (each["after"]["told"], each["after"]["patients"]) == (UNTOLD, [])
        assert each["after"]["role"] == "rimward_app"


def test_a_request_that_ends_badly_leaves_nothing_for_the_next(house: House, asked: Any) -> None:
    pages = [view.__name__ for view in ENDING_BADLY]
    found = asked(
        *(step for page in pages for step in ((f"/{page}/", NORTH), ("/shown/", ""), ("/shown/", SOUTH)))
    )
    for page, bad, nobody, south in zip(pages, found[::3], found[1::3], found[2::3], strict=True):
        assert bad["status"] == STATUS[page], page
        for each in (bad, nobody, south):
            assert (each["after"]["told"], each["after"]["patients"]) == (UNTOLD, []), page
            assert each["after"]["limit"] == "700ms", "nor the longer limits of long work"
        assert (nobody["status"], nobody["answered"]["patients"]) == (200, []), page
        assert (south["status"], south["answered"]["patients"]) == (200, patients(house, "southmere")), page


def test_a_session_ended_from_outside_is_replaced_before_anything_is_asked(house: House, asked: Any) -> None:
    """The server was started anew between two requests."""
    north, ended, south = asked(("/shown/", NORTH), ("end the session", ""), ("/shown/", SOUTH))
    assert (ended["status"], south["status"]) == (0, 200)
    assert south["answered"]["pid"] != north["answered"]["pid"]
    assert south["answered"]["patients"] == patients(house, "southmere")


def test_behind_a_pooler_nothing_is_served(house: House, tmp_path: Path) -> None:
    """What one request tells a session, a pooler would give to the next whoever asks."""
    server = Path(house.application.partition("host=")[2])
    with TemporaryDirectory(prefix="rimward-") as name, pooled(server, Path(name)) as folder:
        refused = subprocess.run(
            [sys.executable, "manage.py", "shell", "--no-imports", "-c", LOOK_AT_PATIENTS],
            cwd=PROJECT,
            env={
                **os.environ,
                "RIMWARD_LOCAL_DIR": str(tmp_path),
                "DATABASE_URL": house.application.replace(str(server), str(folder)),
            },
            capture_output=True,
            text=True,
            timeout=120,
        )
    assert "registry.isolation.scope.PoolerError" in refused.stderr
    assert "Between the site and PostgreSQL stands a pooler" in refused.stderr
    assert refused.stdout == ""
