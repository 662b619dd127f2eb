"""How a patient wishes to be written to: changed on the patient page with a reason, and in the history."""

from typing import Any

import pytest

from registry.models import Patient
from registry.pages.correct_patient import PatientCorrection
from registry.recording import latest_correction
from tests.conftest import Cast
from tests.registry.pages.entries import as_it_came, text


def send(cast: Cast, **changes: str) -> Any:
    page = as_it_came(PatientCorrection(cast.knee).forms)
    why = {
        "correction-seen": str(latest_correction(cast.knee.patient)),
        "correction-reason": "asked on the phone",
    }
    path = f"/knees/{cast.knee.uuid}/patient/"
    return cast.client("clinician").post(path, {**page, **why, **changes}, follow=True)


def test_language_and_reminders_are_changed(cast: Cast) -> None:
    assert send(cast, language="es", reminders="none").status_code == 200
    patient = Patient.objects.get(pk=cast.knee.patient_id)
    assert (patient.language, patient.reminders) == ("es", "none")
    history = text(cast.client("clinician").get(f"/knees/{cast.knee.uuid}/history/"))
    for said in ("asked on the phone", "Language of letters", "Spanish", "Reminders by", "No reminders"):
        assert said in history


@pytest.mark.parametrize("change", [{"language": "xx"}, {"reminders": "pigeon"}], ids=str)
def test_what_is_not_offered_is_refused(cast: Cast, change: dict[str, str]) -> None:
    assert send(cast, **change).status_code == 422
    patient = Patient.objects.get(pk=cast.knee.patient_id)
    assert (patient.language, patient.reminders, patient.version) == ("en", "email", 1)
