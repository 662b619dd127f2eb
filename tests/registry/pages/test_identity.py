"""The identity page asks why, logs every opening, keeps corrections sealed, and is closed to most."""

import logging
import re
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from registry.models import Correction, Identity, IdentityView
from registry.pages.identity import OPEN_FOR, SHOWN_AGAIN, TAKEN
from registry.recording import record
from registry.sealing import blind_index, unseal
from tests import factories

pytestmark = pytest.mark.django_db

PLAIN = {"hospital_number": "NM 0042", "given_names": "Zwaxvree", "email": "zwaxvree@example.org"}


@pytest.fixture
def address(cast):
    record(Identity.sealed(cast.knee.patient, **PLAIN))
    return reverse("identity", args=[cast.knee.uuid])


def test_nothing_is_shown_before_the_reason(cast, address):
    text = cast.client("surgeon").get(address).content.decode()
    assert not [value for value in PLAIN.values() if value in text]
    assert not IdentityView.objects.exists()


def test_with_a_reason_it_opens_and_the_opening_is_logged(cast, address):
    response = cast.client("clinician").post(address, {"reason": "phone call about the visit"})
    text = response.content.decode()
    assert all(value in text for value in PLAIN.values())
    assert response["Cache-Control"] == "no-store"
    view = IdentityView.objects.get()
    assert (view.user, view.patient, view.reason) == (
        cast.clinician,
        cast.knee.patient,
        "phone call about the visit",
    )
    assert "phone call about the visit" in cast.client("surgeon").get(address).content.decode()


@pytest.mark.parametrize("reason", ["", "   "])
def test_no_reason_no_identity(cast, address, reason):
    response = cast.client("surgeon").post(address, {"reason": reason})
    assert response.status_code == 422
    assert "Reason is missing. Enter it." in response.content.decode()
    assert PLAIN["given_names"] not in response.content.decode()
    assert not IdentityView.objects.exists()


@pytest.mark.parametrize(
    ("who", "status"),
    [("audit_lead", 403), ("coordinator", 404), ("administrator", 404), ("stranger", 404), ("nobody", 302)],
)
@pytest.mark.parametrize("method", ["get", "post"])
def test_it_stays_closed_to_others(cast, address, who, status, method):
    response = getattr(cast.client(who), method)(address, {"reason": "curious"})
    assert response.status_code == status
    assert not IdentityView.objects.exists()


def test_values_are_sealed_in_the_database(cast, address):
    stored = Identity.objects.values().get()
    assert not [value for value in PLAIN.values() if value in str(stored)]
    assert Identity.objects.get().opened()["given_names"] == "Zwaxvree"


# --- Correcting --------------------------------------------------------------------------------

TYPED = {
    "hospital_number": "NM 0042",
    "given_names": "Zwaxvree",
    "family_name": "",
    "email": "zwaxvree@example.org",
    "phone": "",
    "correction-reason": "Misspelt at the desk",
    "correction-seen": "0",
}
NEW = {
    "given_names": "Quoltmer",
    "family_name": "Ibbenshaw",
    "email": "q@example.org",
    "phone": "01632 960099",
}


def opened(cast, address, who="surgeon"):
    client = cast.client(who)
    client.post(address, {"reason": "phone call about the visit"})
    return client


def corrected(client, address, **changes):
    return client.post(f"{address}correct/", {**TYPED, **changes})


def kept():
    return Identity.objects.earliest("pk").opened()


def test_an_opened_identity_is_corrected_and_found_by_its_new_number(cast, address):
    client = opened(cast, address)
    response = corrected(client, address, **NEW, hospital_number="NM 0099")
    assert response.status_code == 302
    assert kept() == {**NEW, "hospital_number": "NM 0099"}
    assert Identity.objects.get().hospital_number_index == blind_index(cast.unit.pk, "nm0099")
    assert (
        client.post("/find/", {"hospital_number": "NM 0099"})
        .headers["Location"]
        .endswith(f"{cast.knee.uuid}/")
    )
    assert client.post("/find/", {"hospital_number": "NM 0042"}).status_code == 200


def test_the_correction_says_who_and_why_and_holds_sealed_values_alone(cast, address, caplog):
    with caplog.at_level(logging.DEBUG):
        corrected(opened(cast, address), address, **NEW, hospital_number="NM 0099")
    told = Correction.objects.get()
    assert (told.made_by, told.reason, told.kind) == (cast.surgeon, "Misspelt at the desk", "corrected")
    assert told.patient == cast.knee.patient
    stored = str(Correction.objects.values().get()) + str(Identity.objects.values().get()) + caplog.text
    # Four digits alone may stand in any key or seal by chance.
    plain = [*PLAIN.values(), *NEW.values(), "NM 0099", "NM0099", "NM0042"]
    assert not [value for value in plain if value in stored]
    changed = {f"{name}_sealed" for name in (*NEW, "hospital_number")} | {"hospital_number_index"}
    assert set(told.before) == set(told.after) == changed
    assert unseal(told.before["given_names_sealed"]) == "Zwaxvree"
    assert unseal(told.after["given_names_sealed"]) == "Quoltmer"


def test_what_was_not_changed_keeps_its_seal(cast, address):
    before = Identity.objects.get()
    corrected(opened(cast, address), address, phone="01632 960099")
    after = Identity.objects.get()
    assert set(Correction.objects.get().after) == {"phone_sealed"}
    assert after.given_names_sealed == before.given_names_sealed
    assert after.hospital_number_index == before.hospital_number_index


def test_a_value_is_cleared(cast, address):
    corrected(opened(cast, address), address, email="")
    assert kept()["email"] == ""
    assert Identity.objects.get().email_sealed == ""


def test_an_identity_that_was_never_recorded_is_added(cast):
    address = reverse("identity", args=[cast.knee.uuid])
    assert corrected(opened(cast, address), address, **NEW).status_code == 302
    assert kept() == {**NEW, "hospital_number": "NM 0042"}
    assert Correction.objects.get().kind == "added"


def test_another_patients_number_is_refused_without_saying_whose(cast, address):
    other = factories.a_knee(cast.unit).patient
    record(Identity.sealed(other, hospital_number="NM 0077", family_name="Vantreskoy"))
    response = corrected(opened(cast, address), address, hospital_number="nm0077")
    said = response.content.decode()
    assert response.status_code == 422
    assert "This hospital number is another patient&#x27;s in the unit&#x27;s record." in said
    assert "Vantreskoy" not in said
    assert str(other.uuid)[:8] not in said
    assert kept()["hospital_number"] == "NM 0042"
    assert not Correction.objects.exists()


@pytest.mark.parametrize(
    "lacking",
    [
        {"correction-reason": " "},
        {"email": "zwaxvree"},
        {"phone": "1" * 41},
        {"correction-seen": "first"},
    ],
    ids=str,
)
def test_nobody_learns_whether_a_number_is_taken_before_all_else_is_right(cast, address, lacking):
    record(Identity.sealed(factories.a_knee(cast.unit).patient, hospital_number="NM 0077"))
    client = opened(cast, address)
    taken, free = (
        corrected(client, address, hospital_number=number, **lacking) for number in ("NM 0077", "NM 0078")
    )
    words = [squeezed(answer).replace("NM 0077", "NM 0078") for answer in (taken, free)]
    assert (taken.status_code, free.status_code) == (422, 422)
    assert TAKEN.partition("'")[0] not in words[0]
    assert words[0] == words[1]


def squeezed(answer):
    """A page without what differs each time: tokens of forms, and what is listed as opened before."""
    said = answer.content.decode().split("<h2>Opened before</h2>")[0]
    return re.sub(r'name="csrfmiddlewaretoken" value="\w+"', "", said)


def test_a_number_told_to_be_taken_is_noted(cast, address):
    record(Identity.sealed(factories.a_knee(cast.unit).patient, hospital_number="NM 0077"))
    corrected(opened(cast, address), address, hospital_number="NM 0077")
    assert reasons() == [SHOWN_AGAIN, "phone call about the visit"]


def reasons():
    return list(IdentityView.objects.order_by("-pk").values_list("reason", flat=True))


def test_every_time_that_it_is_shown_again_is_noted(cast, address):
    client = opened(cast, address)
    for _ in range(2):
        assert PLAIN["given_names"] in corrected(client, address, email="zwaxvree").content.decode()
    assert reasons() == [SHOWN_AGAIN, SHOWN_AGAIN, "phone call about the visit"]
    corrected(opened(cast, address, "clinician"), address, phone="01632 960001")
    before = IdentityView.objects.count()
    assert "01632 960001" in corrected(client, address, phone="01632 960002").content.decode()
    assert IdentityView.objects.latest("pk").user == cast.surgeon
    assert IdentityView.objects.count() == before + 1
    assert SHOWN_AGAIN in client.get(address).content.decode()


def test_nothing_is_shown_again_that_could_not_be_noted(cast, address, monkeypatch):
    client = opened(cast, address)
    client.raise_request_exception = False
    monkeypatch.setattr("registry.pages.identity.record", lambda *_: 1 / 0)
    response = corrected(client, address, email="zwaxvree")
    assert response.status_code == 500
    assert PLAIN["given_names"] not in response.content.decode()


def test_what_is_shown_again_makes_an_opening_last_no_longer(cast, address):
    client = opened(cast, address)
    IdentityView.objects.update(viewed_at=timezone.now() - OPEN_FOR + timedelta(minutes=1))
    assert corrected(client, address, email="zwaxvree").status_code == 422
    IdentityView.objects.filter(reason="phone call about the visit").update(
        viewed_at=timezone.now() - OPEN_FOR - timedelta(seconds=1)
    )
    response = client.post(f"{address}correct/", {**TYPED, **NEW}, follow=True)
    assert "you have not opened it within the last hour" in response.content.decode()
    assert kept()["given_names"] == "Zwaxvree"


def test_another_units_number_may_be_the_same(cast, address):
    other = factories.a_knee(cast.other_unit).patient
    record(Identity.sealed(other, hospital_number="NM 0077"))
    assert corrected(opened(cast, address), address, hospital_number="NM 0077").status_code == 302


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"hospital_number": " "}, "Hospital number is missing. Enter it."),
        ({"phone": "1", "correction-reason": " "}, "Reason for the correction is missing. Enter it."),
        ({"email": "zwaxvree"}, "Enter a valid email address."),
        ({"phone": "1" * 41}, "at most 40 characters"),
        ({}, "Nothing differs from what is on record."),
        ({"phone": "1", "correction-seen": "first"}, "Enter a whole number."),
    ],
    ids=str,
)
def test_bad_input_is_refused_in_words_and_nothing_typed_is_lost(cast, address, changes, said):
    response = corrected(
        opened(cast, address), address, **{"family_name": "Ibbenshaw"} if changes else {}, **changes
    )
    assert response.status_code == 422
    assert said in response.content.decode()
    assert not changes or 'value="Ibbenshaw"' in response.content.decode()
    assert response["Cache-Control"] == "no-store"
    assert kept() == {**dict.fromkeys(NEW, ""), **PLAIN}
    assert not Correction.objects.exists()


def test_who_has_not_opened_it_does_not_correct_it(cast, address):
    opened(cast, address, "clinician")
    response = cast.client("surgeon").post(f"{address}correct/", {**TYPED, **NEW}, follow=True)
    assert "you have not opened it within the last hour" in response.content.decode()
    assert "Quoltmer" not in response.content.decode()
    assert kept()["given_names"] == "Zwaxvree"


def test_an_opening_lasts_an_hour(cast, address):
    client = opened(cast, address)
    IdentityView.objects.update(viewed_at=timezone.now() - timedelta(minutes=61))
    assert corrected(client, address, **NEW).status_code == 302
    assert kept()["given_names"] == "Zwaxvree"


def test_the_second_of_two_is_told_and_sees_both_versions(cast, address):
    first, second = opened(cast, address, "clinician"), opened(cast, address)
    corrected(first, address, phone="01632 960001")
    response = corrected(second, address, phone="01632 960002")
    said = response.content.decode()
    assert response.status_code == 422
    assert "this identity was corrected while you had it open (clinician: Misspelt at the desk)" in said
    assert "01632 960001" in said
    assert 'value="01632 960002"' in said
    assert kept()["phone"] == "01632 960001"
    seen = re.search(r'name="correction-seen" value="(\d+)"', said)[1]
    assert corrected(second, address, **{"phone": "01632 960002", "correction-seen": seen}).status_code == 302
    assert kept()["phone"] == "01632 960002"


@pytest.mark.parametrize(
    ("who", "status"),
    [("audit_lead", 403), ("coordinator", 404), ("administrator", 404), ("stranger", 404), ("nobody", 302)],
)
def test_it_is_not_corrected_by_others(cast, address, who, status):
    assert corrected(cast.client(who), address, **NEW).status_code == status
    assert kept()["given_names"] == "Zwaxvree"


def test_a_link_corrects_nothing(cast, address):
    assert opened(cast, address).get(f"{address}correct/").status_code == 405
