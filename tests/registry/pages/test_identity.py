"""The identity page asks why, logs every opening, and is closed to whoever need not know."""

import pytest
from django.urls import reverse

from registry.models import Identity, IdentityView
from registry.recording import record

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
