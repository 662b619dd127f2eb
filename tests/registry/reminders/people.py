"""Invented patients whose six-week review can be answered today."""

from datetime import date, timedelta
from typing import Any

from django.utils import timezone

from registry.models import EndOfFollowUp, Identity, Knee, Surgeon, Unit
from registry.recording import record
from registry.vocabulary import EndReason
from tests import factories

SIX_WEEKS = 42


def a_followed_knee(
    unit: Unit, surgeon: Surgeon, name: str, days: int = SIX_WEEKS, knee: Knee | None = None, **patient: Any
) -> Knee:
    """A knee repaired so many days ago; its patient has an address and a number made of `name`."""
    email = patient.pop("email", f"{name}@example.org")
    phone = patient.pop("phone", "")
    known = knee is not None
    knee = knee or factories.a_knee(unit, **patient)
    operation = factories.an_operation(unit, surgeon, knee, operated_on=days_ago(days))
    factories.a_repair(operation)
    if not known:
        record(Identity.sealed(knee.patient, hospital_number=name, email=email, phone=phone))
    return knee


def days_ago(days: int) -> date:
    return timezone.localdate() - timedelta(days=days)


def leaves(knee: Knee) -> None:
    """The patient wishes no more follow-up from today on."""
    record(EndOfFollowUp(patient=knee.patient, ended_on=timezone.localdate(), reason=EndReason.WITHDREW))
