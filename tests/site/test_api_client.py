"""A program written from the document alone, against the site as it is served: what it sees is on record."""

import json
import subprocess
import sys
from collections.abc import Iterator
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from pytest_django.live_server_helper import LiveServer

from registry.api import keys
from registry.models import IndexProcedure, Reoperation, ReoperationOnTear, SecondLook
from tests import factories
from tests.conftest import Cast

CLIENT = Path(__file__).with_name("api_client.py")


@pytest.fixture
def served(transactional_db: None) -> Iterator[str]:
    """A server of this test's own: that of the browser's tests lets nobody in between them."""
    server = LiveServer("localhost")
    yield server.url
    server.stop()


@pytest.fixture
def seen(served: str, cast: Cast) -> Any:
    """What the program was answered, beside eight other repairs of which two failed."""
    for number in range(8):
        zone = "RR" if number % 4 else "RW"
        repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak), vascular_zone=zone)
        (factories.a_failure if number < 2 else factories.a_contact)(repair, 300 + number)
    _, key = keys.make(cast.surgeon, "a test", keys.scopes_open_to(cast.surgeon), 1)
    command = [sys.executable, "-I", str(CLIENT), served, key]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_the_program_imports_nothing_of_the_project() -> None:
    text = CLIENT.read_text(encoding="utf-8")
    assert not [name for name in ("registry.", "outcomes.", "tests.", "django") if f"import {name}" in text]
    assert "from registry" not in text


def test_a_course_recorded_by_a_program_is_on_record_and_in_the_figures(seen: Any, cast: Cast) -> None:
    operation = IndexProcedure.objects.get(uuid=seen["operation"]["uuid"])
    tear = operation.tears.get()
    assert (str(operation.operated_on), operation.lead_surgeon, operation.unit) == (
        seen["operation"]["operated_on"],
        cast.oak,
        cast.unit,
    )
    assert (tear.meniscus, tear.pattern, tear.length_mm, tear.repair.augmentation) == (
        "medial",
        "bucket_handle",
        24,
        "prp",
    )
    look = SecondLook.objects.get(uuid=seen["second_look"]["uuid"])
    assert str(look.looked_on) == seen["corrected_look"]["looked_on"] != seen["second_look"]["looked_on"]
    assert look.findings.get().healed_thickness_percent == 80
    again = Reoperation.objects.get(uuid=seen["reoperation"]["uuid"])
    assert (again.knee, ReoperationOnTear.objects.get(reoperation=again).tear) == (operation.knee, tear)
    assert "NM 7001" not in json.dumps(seen)
    _same_as_in_the_terminal(seen["survival"])


def _same_as_in_the_terminal(survival: Any) -> None:
    printed = StringIO()
    call_command("survival", "--split", "zone", "--unit", "northmere", "--json", stdout=printed)
    (theirs,) = json.loads(printed.getvalue())
    (ours,) = survival["results"]
    curve, steps = theirs["overall"]["curve"], ours["overall"]["steps"]
    assert (ours["n"], ours["events"]) == (curve["n"], curve["events"]) == (10, 3)
    for name, column in (
        ("day", "time"),
        ("at_risk", "at_risk"),
        ("failures", "events_at"),
        ("survival",) * 2,
    ):
        assert [step[name] for step in steps] == curve[column]
    for name in ("lower", "upper", "std_error"):
        assert [step[name] for step in steps] == curve[name]
    # Repaired twelve days ago, partly removed two days ago.
    assert steps[1]["day"] == 10
    assert steps[1]["failures"] == 1
    assert ours["comparison"]["p"] == theirs["comparison"]["p"]
