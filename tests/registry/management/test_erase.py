"""The command that erases: one patient, and everybody again after an older record came back."""

import json
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from registry.models import Erasure, Patient
from tests import factories
from tests.conftest import Cast


def a_patient(cast: Cast, **fields: Any) -> Patient:
    return factories.an_operation(cast.unit, cast.oak, factories.a_knee(cast.unit, **fields)).knee.patient


def told(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    call_command("erase", *words, "--json")
    said: dict[str, Any] = json.loads(capsys.readouterr().out)
    return said


def of(patient: Patient) -> list[str]:
    said = {"--unit": "northmere", "--as": "administrator", "--asked-on": "2026-01-05", "--reason": "asked"}
    return ["patient", str(patient.uuid), *(word for pair in said.items() for word in pair)]


def test_whom_a_restored_record_brings_back_goes_again(
    cast: Cast, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    gone, stays, other = (
        a_patient(cast),
        a_patient(cast, research_permission="given", research_permission_on="2024-02-01"),
        a_patient(cast),
    )
    file = tmp_path / "erased.json"
    assert told(capsys, *of(gone)) == {"erased": 1, "keeping_outcomes": 0}
    assert told(capsys, *of(stays)) == {"erased": 1, "keeping_outcomes": 1}
    assert told(capsys, "list", str(file))["listed"] == 2
    again = ["again", str(file), "--as", "administrator"]
    assert told(capsys, *again) == {"erased": 0, "keeping_outcomes": 0}
    lines = json.loads(file.read_text())
    # As if the record were older than two of the lines: nobody was erased in it yet.
    back, kept = (
        a_patient(cast),
        a_patient(cast, research_permission="given", research_permission_on="2024-02-01"),
    )
    lines[0]["patient"], lines[1]["patient"] = str(back.uuid), str(kept.uuid)
    file.write_text(json.dumps(lines))
    assert told(capsys, *again) == {"erased": 2, "keeping_outcomes": 1}
    assert set(Patient.ever.values_list("pk", flat=True)) >= {stays.pk, kept.pk, other.pk}
    assert not Patient.ever.filter(pk__in=[gone.pk, back.pk]).exists()
    assert set(Erasure.objects.values_list("reason", flat=True)) == {"asked"}


@pytest.mark.parametrize("spoilt", ["patient", "account", "list", "line"])
def test_a_refusal_says_why_and_erases_nobody(cast: Cast, tmp_path: Path, spoilt: str) -> None:
    patient, file = a_patient(cast), tmp_path / "erased.json"
    file.write_text("[{}]" if spoilt == "line" else "no list")
    words = {
        "patient": [*of(patient)[:1], "no-key", *of(patient)[2:]],
        "account": ["administratr" if word == "administrator" else word for word in of(patient)],
    }.get(spoilt, ["again", str(file), "--as", "administrator"])
    with pytest.raises(CommandError, match="erase: "):
        call_command("erase", *words)
    assert not Erasure.objects.exists()
    assert Patient.ever.filter(pk=patient.pk).exists()
