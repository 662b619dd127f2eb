"""The pages of a patient's rights: by hospital number in the body, noted, and for who manages the unit."""

import csv
import io
from datetime import date
from typing import Any

import pytest
from django.conf import settings
from django.test import Client
from django.utils import timezone

from registry.models import Correction, Erasure, Identity, IdentityView, LotLookUp, Patient
from registry.pages.rights.asked import mark_of
from registry.pages.rights.erasing import PAGE
from registry.recording import record
from registry.rights.finding import patient_of_number
from tests import factories
from tests.conftest import Cast
from tests.registry.rights.conftest import CANARY, Whole

pytestmark = pytest.mark.any_engine

LOOKED, CSV, ERASE = (f"/units/northmere/{page}/" for page in ("who-looked", "who-looked/csv", "erase"))


def asked(client: Client, **more: Any) -> Any:
    return client.post(LOOKED, {"hospital_number": " N-1 ", "reason": "the patient asked", **more})


def mark_in(page: str) -> str:
    return page.split('name="patient" value="')[1].split('"')[0]


def views(whole: Whole) -> list[str]:
    return list(whole.patient.identity_views.values_list("reason", flat=True))


# --- who looked ---------------------------------------------------------------------------------


def test_every_look_is_told_and_this_one_is_among_them(whole: Whole) -> None:
    answer = asked(whole.cast.client("administrator"))
    page = answer.content.decode()
    assert answer.status_code == 200
    assert "no-store" in answer.headers["Cache-Control"]
    for said in (f"{CANARY} rang", "Knee story, first that day", "oak", "the patient asked", "administrator"):
        assert said in page
    assert "N-1" not in page
    assert "Who looked, asked for: the patient asked" in views(whole)


def test_a_look_up_of_their_implants_lot_is_told_and_of_another_lot_is_not(whole: Whole) -> None:
    implant, by = whole.rows["Implant"], whole.cast.surgeon
    record(
        LotLookUp(user=by, lot=implant.lot, reason="a recall", knees_found=1),
        LotLookUp(user=by, lot="Z9", reason="of another", knees_found=0),
        LotLookUp(user=whole.cast.stranger, lot=implant.lot, reason="elsewhere", knees_found=0),
    )
    page = asked(whole.cast.client("administrator")).content.decode()
    assert "a recall" in page
    assert "of another" not in page
    assert "elsewhere" not in page


def test_a_number_that_nobody_has_opens_nothing(whole: Whole) -> None:
    before = IdentityView.objects.count()
    answer = asked(whole.cast.client("administrator"), hospital_number="n-2")
    assert answer.status_code == 422
    assert "No patient of Northmere Hospital has this hospital number" in answer.content.decode()
    assert IdentityView.objects.count() == before


def test_a_patient_of_another_unit_is_found_only_where_they_were_operated_on(whole: Whole) -> None:
    cast = whole.cast
    elsewhere = factories.a_knee(cast.other_unit)
    record(Identity.sealed(elsewhere.patient, hospital_number="S-7"))
    assert patient_of_number(cast.unit, "S-7") is None
    factories.an_operation(cast.unit, cast.oak, elsewhere)
    assert patient_of_number(cast.unit, "s-7") == elsewhere.patient
    assert patient_of_number(cast.other_unit, "N-1") is None
    record(Identity.sealed(cast.knee.patient, hospital_number="S-7"))
    assert patient_of_number(cast.unit, "S-7") == cast.knee.patient, "the unit's own goes first"


def test_the_file_is_safe_in_a_spreadsheet_and_noted(whole: Whole) -> None:
    record(IdentityView(patient=whole.patient, user=whole.cast.surgeon, reason='=HYPERLINK("x")'))
    client = whole.cast.client("administrator")
    answer = client.post(CSV, {"patient": mark_in(asked(client).content.decode())})
    rows = list(csv.reader(io.StringIO(answer.content.decode())))
    assert rows[0] == ["when", "who", "what", "why"]
    assert '\'=HYPERLINK("x")' in {row[3] for row in rows}
    assert not any(cell.startswith(("=", "+", "-", "@")) for row in rows for cell in row)
    assert "Who looked, as a file" in views(whole)


def test_a_mark_is_good_for_its_person_its_unit_and_its_page(whole: Whole) -> None:
    client = whole.cast.client("administrator")
    mark = mark_in(asked(client).content.decode())
    other = factories.a_person(
        "second", ("administrator", whole.cast.unit), ("administrator", whole.cast.other_unit)
    )
    second = Client()
    second.force_login(other)
    assert second.post(CSV, {"patient": mark}).status_code == 404
    assert second.post("/units/southmere/who-looked/csv/", {"patient": mark}).status_code == 404
    assert client.post(CSV, {"patient": mark + "x"}).status_code == 404
    assert client.post(CSV).status_code == 404
    answer = client.post(ERASE, {"patient": mark}, follow=True).content.decode()
    assert "the page was open for too long" in answer
    assert not Erasure.objects.exists()


def test_the_longest_reason_that_is_taken_is_kept_whole(whole: Whole) -> None:
    client = whole.cast.client("administrator")
    assert asked(client, reason="x" * 171).status_code == 422
    assert asked(client, reason="x" * 170).status_code == 200
    assert views(whole)[0].endswith("x" * 170)


def test_asking_who_looked_and_looking_at_an_erasure_open_no_identity(whole: Whole) -> None:
    """Else who asked these could correct, and be shown, an identity that they never gave a reason to open."""
    unit = whole.cast.unit
    client = Client()
    client.force_login(factories.a_person("both", ("administrator", unit), ("surgeon", unit)))
    client.post(CSV, {"patient": mark_in(asked(client).content.decode())})
    shown(client)
    assert len(views(whole)) == 4
    page = f"/knees/{whole.knee.uuid}/identity/correct/"
    corrections = Correction.objects.count()
    for typed in ({}, {"hospital_number": "N-1", "phone": "1", "correction-reason": "by stealth"}):
        answer = client.post(page, typed, follow=True).content.decode()
        assert "you have not opened it within the last hour" in answer
        assert CANARY not in answer.split("<h2>Opened before</h2>")[0]
    assert Correction.objects.count() == corrections


# --- erase --------------------------------------------------------------------------------------


def shown(client: Client) -> str:
    return str(client.post(ERASE, {"hospital_number": "N-1"}).content.decode())


def sent(mark: str, **more: Any) -> dict[str, Any]:
    fields = {"asked_on": "2026-01-05", "reason": "Art. 17", "hospital_number": "n-1", **more}
    return {"patient": mark, **{f"erasure-{name}": value for name, value in fields.items()}}


def test_first_it_shows_what_goes_then_it_goes(whole: Whole) -> None:
    client = whole.cast.client("administrator")
    page = shown(client)
    assert "The whole record would go" in page
    assert "how long they are kept" in page
    assert "N-1" not in page
    assert views(whole)[0] == "Erasure looked at"
    answer = client.post(ERASE, sent(mark_in(page)), follow=True).content.decode()
    assert "The whole record of the patient is erased." in answer
    assert "Art. 17" in answer
    assert not Patient.ever.filter(pk=whole.rows["Patient"].pk).exists()
    assert Erasure.objects.get().asked_on == date(2026, 1, 5)


def test_with_permission_the_page_says_what_stays(whole: Whole) -> None:
    factories.corrected(whole.patient, research_permission="given", research_permission_on=date(2024, 2, 1))
    client = whole.cast.client("administrator")
    page = shown(client)
    assert "The identity would go, repairs and outcomes would stay" in page
    client.post(ERASE, sent(mark_in(page)))
    assert Erasure.objects.get().keeps_outcome
    assert not Identity.ever.filter(patient=whole.patient).exists()
    assert "No patient of Northmere" in shown(client)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"hospital_number": "N-2"}, "not the hospital number of the patient shown"),
        ({"reason": ""}, "Reason is missing"),
        ({"asked_on": ""}, "Day on which the patient asked is missing"),
        ({"asked_on": "2999-01-01"}, "lies in the future"),
    ],
)
def test_what_lacks_something_erases_nobody(whole: Whole, more: dict[str, Any], words: str) -> None:
    client = whole.cast.client("administrator")
    answer = client.post(ERASE, sent(mark_in(shown(client)), **more))
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert not Erasure.objects.exists()
    assert Patient.ever.filter(pk=whole.rows["Patient"].pk).exists()


def test_who_manages_not_every_unit_concerned_may_not(whole: Whole) -> None:
    factories.an_operation(
        whole.cast.other_unit, whole.cast.oak, whole.knee, operated_on=date(2024, 9, 1), injured_on=None
    )
    client = whole.cast.client("administrator")
    page = shown(client)
    assert "Southmere Hospital also holds entries" in page
    assert "Erase for good" not in page
    mark = mark_of(whole.patient, whole.cast.unit, whole.cast.administrator, PAGE)
    assert "Southmere Hospital also" in client.post(ERASE, sent(mark)).content.decode()
    assert not Erasure.objects.exists()


def test_what_another_unit_holds_by_the_time_it_is_done_stands_in_its_way(
    whole: Whole, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if the other unit had operated just after the page had looked, and before the record was held."""
    client = whole.cast.client("administrator")
    mark = mark_in(shown(client))
    factories.an_operation(
        whole.cast.other_unit, whole.cast.oak, whole.knee, operated_on=date(2024, 9, 1), injured_on=None
    )
    monkeypatch.setattr("registry.pages.rights.erasing.why_not", lambda *_: "")
    answer = client.post(ERASE, sent(mark))
    assert answer.status_code == 422
    assert "Southmere Hospital also holds entries" in answer.content.decode()
    assert not Erasure.objects.exists()
    assert Patient.ever.filter(pk=whole.patient.pk).exists()


# --- all of them --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("who", "answered"),
    [("nobody", 302), ("surgeon", 403), ("coordinator", 403), ("stranger", 404), ("administrator", 200)],
)
def test_who_may(cast: Cast, who: str, answered: int) -> None:
    client = cast.client(who)
    assert [client.get(page).status_code for page in (LOOKED, ERASE)] == [answered] * 2
    of_knee = {"administrator": 404, "surgeon": 200, "coordinator": 404}.get(who, answered)
    assert client.get(f"/knees/{cast.knee.uuid}/patient-file/").status_code == of_knee


def test_who_has_not_confirmed_lately_is_asked_first(whole: Whole) -> None:
    client, knee = whole.cast.client("administrator"), whole.knee
    session = client.session
    session["confirmed at"] = timezone.now().timestamp() - settings.CONFIRM_WITHIN.total_seconds() - 1
    session.save()
    for page in (LOOKED, ERASE, f"/knees/{knee.uuid}/patient-file/"):
        assert client.get(page).headers["Location"].startswith("/confirm/")
    before = IdentityView.objects.count()
    assert asked(client).status_code == 403
    assert IdentityView.objects.count() == before
