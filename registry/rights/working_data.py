"""What lies beside the record and may speak of a patient: drafts, and what programs created.

Both are found by what they hold, since neither has a column that leads to a patient.
"""

import json
from collections.abc import Iterable
from uuid import UUID

from cryptography.fernet import InvalidToken

from registry import sealing
from registry.models import Creation, Draft, Identity, Patient


def forget(patient: Patient, uuids: Iterable[UUID]) -> dict[str, int]:
    """Remove drafts and notes of creation that speak of a patient or of one of these rows."""
    known = {str(uuid) for uuid in uuids}
    number = _plain_number(patient)
    drafts = {each.pk for each in Draft.objects.all() if _speaks(each.page, known) or _names(each, number)}
    made = Creation.objects.values_list("pk", "location")
    creations = {pk for pk, location in made if _speaks(location, known)}
    removed = {
        "registry_draft removed": Draft.objects.filter(pk__in=drafts).delete()[0],
        "registry_creation removed": Creation.objects.filter(pk__in=creations).delete()[0],
    }
    return {what: count for what, count in removed.items() if count}


def _speaks(address: str, known: set[str]) -> bool:
    return not known.isdisjoint(address.split("/"))


def _names(draft: Draft, number: str) -> bool:
    """Whether a draft holds the hospital number in any of its fields."""
    typed: dict[str, list[str]] = json.loads(_opened(draft.sealed) or "{}")
    return bool(number) and any(
        sealing.plain_number(value) == number for values in typed.values() for value in values
    )


def _plain_number(patient: Patient) -> str:
    identity = Identity.ever.filter(patient=patient).first()
    return sealing.plain_number(_opened(identity.hospital_number_sealed)) if identity else ""


def _opened(sealed: str) -> str:
    """The plain text; nothing where no key opens it any more, which must not stand in an erasure's way."""
    try:
        return sealing.unseal(sealed)
    except InvalidToken:
        return ""
