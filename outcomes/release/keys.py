"""The key of each project: the one it began with, known in the ledger by its fingerprint alone."""

import hmac

from django.conf import settings

from outcomes.models import LedgerEntry, LedgerKind
from outcomes.release.pseudonyms import Pseudonyms, plain_name

FINGERPRINT_DIGITS = 8
MISSING = (
    "project: the pseudonyms of '{project}' were made with the key {fingerprint}, which is not among "
    "RELEASE_KEYS. Put that key back, behind the newest, or release under a new project name."
)


class KeyMissingError(Exception):
    """A project's key is not at hand, so its pseudonyms cannot be made again."""


def pseudonyms_for(project: str) -> tuple[Pseudonyms, str]:
    """The pseudonyms of a project, and the fingerprint of its key.

    A project keeps the key of its first release; one that was released before fingerprints were noted has the
    oldest key; a new project gets the newest, the first of settings.RELEASE_KEYS.

    Raises
    ------
    KeyMissingError
        When its key is not among settings.RELEASE_KEYS.
    """
    by_fingerprint = {fingerprint(key): key for key in settings.RELEASE_KEYS}
    newest, *_, oldest = [*by_fingerprint, *by_fingerprint]
    first = _first_release(project)
    wanted = newest if first is None else first.said.get("key", oldest)
    if wanted not in by_fingerprint:
        raise KeyMissingError(MISSING.format(project=project, fingerprint=wanted))
    return Pseudonyms(by_fingerprint[wanted], project), wanted


def fingerprint(key: str) -> str:
    """What tells keys apart without telling anything of them."""
    return hmac.digest(key.encode(), b"fingerprint of a release key", "sha256").hex()[:FINGERPRINT_DIGITS]


def _first_release(project: str) -> LedgerEntry | None:
    entries = LedgerEntry.objects.filter(kind=LedgerKind.ROWS).order_by("number")
    return next((entry for entry in entries if plain_name(project_of(entry)) == plain_name(project)), None)


def project_of(entry: LedgerEntry) -> str:
    """The project of a release of rows, in either form that the ledger has known."""
    said = entry.said
    project: str = said.get("asked", said).get("project", "")
    return project
