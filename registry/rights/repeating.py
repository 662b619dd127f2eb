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


class NotAsWritten(ValueError):  # noqa: N818 - it reads as what it says
    """A list of erasures that was not written by this installation, or was changed since."""


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
    """Erase again, as it was asked then, everybody of a list who is on record and was not erased in it.

    Raises
    ------
    NotAsWritten
        A line is none that `told` writes. Nothing was erased.
    django.core.exceptions.ValidationError
        One of them may not be erased; those before it are.
    """
    try:
        requests = [request for line in lines for request in _requests(line, by)]
    except (KeyError, TypeError, ValueError, Unit.DoesNotExist) as error:
        raise NotAsWritten from error
    return [erase(request) for request in requests]


def _requests(line: Line, by: User) -> list[Request]:
    uuid = UUID(line["patient"])
    if Erasure.objects.filter(patient_uuid=uuid).exists():
        return []
    asked_on, everything = date.fromisoformat(line["asked_on"]), not line["keeps_outcome"]
    unit = Unit.objects.get(code=line["unit"])
    found = Patient.ever.filter(uuid=uuid)
    return [
        Request(patient, unit, by, asked_on, line["reason"], everything, for_every_unit=True)
        for patient in found
    ]
