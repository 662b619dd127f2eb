"""Erasures told to a list kept apart from the database, and repeated from it after a backup was restored.

A backup holds whoever was erased after it was made. The list names nobody: it has internal keys alone.
"""

from collections.abc import Iterable
from datetime import date
from typing import Any
from uuid import UUID

from registry.models import Erasure, Patient, Unit, User
from registry.rights.erasing import Request, erase

Line = dict[str, Any]


def told() -> list[Line]:
    """Every erasure on record, the earliest first."""
    rows = Erasure.objects.select_related("unit").order_by("pk")
    return [
        {
            "patient": str(each.patient_uuid),
            "unit": each.unit.code,
            "asked_on": each.asked_on.isoformat(),
            "erased_at": each.erased_at.isoformat(),
            "reason": each.reason,
            "keeps_outcome": each.keeps_outcome,
        }
        for each in rows
    ]


def repeat(lines: Iterable[Line], by: User) -> list[Erasure]:
    """Erase again, as it was asked then, everybody of a list who is on record and was not erased in it."""
    return [erase(request) for line in lines for request in _requests(line, by)]


def _requests(line: Line, by: User) -> list[Request]:
    uuid = UUID(line["patient"])
    if Erasure.objects.filter(patient_uuid=uuid).exists():
        return []
    asked_on, everything = date.fromisoformat(line["asked_on"]), not line["keeps_outcome"]
    unit = Unit.objects.get(code=line["unit"])
    found = Patient.ever.filter(uuid=uuid)
    return [Request(patient, unit, by, asked_on, line["reason"], everything) for patient in found]
