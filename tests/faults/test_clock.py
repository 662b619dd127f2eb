"""The clock of the machine set back by two days: nothing is lost, nothing is opened that somebody closed.

In the process of the test, whose clock alone is moved. What had merely run out by the clock (a key, a link, a
session) holds again until the clock is right; what a person closed stays closed at any time.
"""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.core.cache import cache
from django.urls import reverse
from django.utils import timezone

from outcomes.models import LedgerEntry, LedgerKind
from outcomes.release import ledger
from registry import background
from registry.api import keys
from registry.api.examples import OPERATION, PATIENT
from registry.models import AccessKey, Correction, Identity, IndexProcedure, Intake, Message
from registry.patient_link import making
from registry.recording import record
from registry.reminders.timetable import is_free
from registry.vocabulary import IntakeState
from tests.conftest import Cast
from tests.faults.table import PROPERTY
from tests.registry.api.asking import asker
from tests.registry.intake.old_notes import REPAIRED, begun

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

BACK = timedelta(days=2)


def set_back() -> Any:
    """The clock two days slow, and going on."""
    return time_machine.travel(timezone.now() - BACK, tick=True)


def test_writes_of_both_times_are_on_record_and_each_once(
    cast: Cast, record_property: Callable[[str, object], None]
) -> None:
    program = asker(cast.surgeon)
    told = []

    def created(at: str, body: Any, key: str) -> Any:
        answer = program.post(at, body, Idempotency_Key=key)
        assert answer.status_code == 201, answer.content
        told.append(answer.json()["uuid"])
        return answer.json()

    patient = created("/patients/", PATIENT, "patient")
    body = OPERATION | {"patient": patient["uuid"]}
    operation = created("/operations/", body, "operation")
    address = f"/operations/{operation['uuid']}/"
    first = program.get(address).headers["ETag"]
    assert program.patch(address, {"bmi": 30, "correction_reason": "first"}).status_code == 200
    with set_back():
        # A key made after "now" would be of a time to come; what was created under it is still known.
        again = program.post("/operations/", body, Idempotency_Key="operation")
        assert again.json()["uuid"] == operation["uuid"]
        assert again.headers["Idempotent-Replayed"] == "true"
        late = program.patch(address, {"bmi": 31, "correction_reason": "late"}, If_Match=first)
        assert late.status_code == 412
        assert program.patch(address, {"bmi": 31, "correction_reason": "second"}).status_code == 200
        created("/patients/", PATIENT | {"hospital_number": "NM 0043"}, "another")
    assert program.patch(address, {"bmi": 32, "correction_reason": "third"}).status_code == 200
    row = IndexProcedure.objects.get(uuid=operation["uuid"])
    corrections = Correction.objects.filter(row_table="registry_indexprocedure", row_id=row.pk)
    assert row.version == 4
    assert list(corrections.values_list("reason", "version")) == [("first", 2), ("second", 3), ("third", 4)]
    page = cast.client("surgeon").get(reverse("history", args=[row.knee.uuid]))
    assert page.status_code == 200
    found = [program.get(f"/{kind}/{uuid}/").status_code for kind, uuid in _by_kind(told)]
    assert found == [200] * len(told)
    writes = len(told) + corrections.count()
    record_property(PROPERTY, ("clock set back by two days", "in process", 1, writes, writes, 0))


def _by_kind(told: list[str]) -> list[tuple[str, str]]:
    return list(zip(("patients", "operations", "patients"), told, strict=True))


def test_what_a_person_closed_stays_closed(cast: Cast) -> None:
    key, text = keys.make(cast.surgeon, "a test", keys.scopes_open_to(cast.surgeon), 1)
    link = making.make_link(cast.knee, "12m", cast.clinician)
    browser = cast.client("surgeon")
    session = browser.cookies["sessionid"].value
    keys.take_back(key)
    making.take_back(link)
    browser.post(reverse("sign_out"))
    with set_back():
        assert not AccessKey.objects.get().is_open(timezone.now())
        assert keys.opened_by(text) is None
        assert not link.is_open(timezone.now())
        browser.cookies["sessionid"] = session
        assert browser.get(reverse("today")).status_code == 302


def test_an_identity_opened_before_the_clock_was_set_back_asks_again(cast: Cast) -> None:
    record(Identity.sealed(cast.knee.patient, hospital_number="NM 0042", given_names="Zwaxvree"))
    address = reverse("correct_identity", args=[cast.knee.uuid])
    browser = cast.client("clinician")
    browser.post(reverse("identity", args=[cast.knee.uuid]), {"reason": "phone call about the visit"})
    assert "Zwaxvree" in _shown(browser, address)
    with set_back():
        assert "Zwaxvree" not in _shown(cast.client("clinician"), address)


def _shown(browser: Any, address: str) -> str:
    typed = {"hospital_number": "NM 0042", "given_names": "Zwaxvree", "reason": ""}
    return str(browser.post(address, typed, follow=True).content)


def test_work_left_by_a_dead_worker_is_taken_up_at_once(cast: Cast) -> None:
    """By the old clock its last sign of life would be two days ahead, and it alive for as long."""
    intake: Intake = begun(cast, REPAIRED)
    states = {IntakeState.WAITING: IntakeState.REHEARSING}
    Intake.objects.filter(pk=intake.pk).update(state=IntakeState.WAITING)
    assert background.claim(intake, states)
    assert not background.claim(intake, states)
    with set_back():
        assert background.is_silent_since(Intake.objects.get(pk=intake.pk).beat_at)
        worker = background.claim(intake, states)
        assert worker
        # Who works on has a sign of life of today.
        assert not background.claim(intake, states)


def test_a_letter_claimed_before_is_free_again(cast: Cast) -> None:
    now = timezone.now()
    message = Message(claimed_by=cast.knee.uuid, claimed_at=now)
    assert not is_free(message, now)
    assert is_free(message, now - BACK)


def test_the_ledger_goes_by_its_numbers(cast: Cast) -> None:
    for note, back in (("first", False), ("second", True), ("third", False)):
        with set_back() if back else time_machine.travel(timezone.now(), tick=True):
            ledger.write(LedgerKind.ROWS, cast.coordinator, {"note": note, "kept": False, "units": []})
    numbers = list(LedgerEntry.objects.order_by("number").values_list("number", flat=True))
    assert numbers == [1, 2, 3]
    assert ledger.verify().holds


def test_nobody_waits_for_two_days_because_they_asked_often(cast: Cast, settings: Any) -> None:
    """The wait is counted by a clock that is never set back."""
    settings.API_REQUESTS_A_MINUTE = {"key": 2, "address": 1}
    cache.clear()
    program = asker(cast.surgeon)
    assert [program.get("/knees/").status_code for _ in range(2)] == [200, 200]
    with set_back():
        refused = program.get("/knees/")
        assert refused.status_code == 429
        assert int(refused.headers["Retry-After"]) <= 61


def test_pages_of_the_day_do_not_break(cast: Cast) -> None:
    browser = cast.client("surgeon")
    with set_back():
        for name in ("today", "due", "repairs", "survival"):
            assert browser.get(reverse(name)).status_code == 200, name
