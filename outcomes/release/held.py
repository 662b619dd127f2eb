"""Which releases hold a patient, worked out from pseudonyms and packages each time, never stored."""

from uuid import UUID

from outcomes.models import LedgerEntry, LedgerKind
from outcomes.release import keys, ledger, store
from outcomes.release.withdrawals import PACKAGE_GONE, released_patients
from registry.rights.given_out import GivenOut


def releases_that_hold(patient: UUID) -> list[GivenOut]:
    """Every release of rows with this patient in it, or of which that cannot be told; the latest first."""
    entries = LedgerEntry.objects.filter(kind=LedgerKind.ROWS).order_by("-number")
    found = (_told(entry, patient) for entry in entries)
    return [each for each in found if each]


def _told(entry: LedgerEntry, patient: UUID) -> GivenOut | None:
    path = store.package_of(entry)
    if path is None:
        return _given(entry, cannot_tell=PACKAGE_GONE)
    try:
        pseudonyms, _ = keys.pseudonyms_for(keys.project_of(entry))
    except keys.KeyMissingError as problem:
        return _given(entry, cannot_tell=str(problem))
    name = pseudonyms.of("patient", patient)
    return _given(entry, name) if name in released_patients(path) else None


def _given(entry: LedgerEntry, pseudonym: str = "", cannot_tell: str = "") -> GivenOut:
    return GivenOut(
        number=entry.number,
        at=entry.written_at,
        project=keys.project_of(entry),
        recipient=entry.said.get("asked", {}).get("recipient", ""),
        pseudonym=pseudonym,
        recalled=ledger.is_recalled(entry),
        cannot_tell=cannot_tell,
    )
