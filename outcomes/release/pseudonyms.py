"""Names that lead nowhere: stable within a project, unlinkable across projects, worthless without the key."""

import base64
import hmac
from collections.abc import Iterable
from hashlib import sha256
from string import ascii_uppercase

PSEUDONYM_BITS = 128


class Pseudonyms:
    """Pseudonyms of one project, from the site's release key (kept outside the database)."""

    def __init__(self, release_key: str, project: str) -> None:
        self._key = _digest(release_key.encode(), f"project\0{project}")

    def of(self, kind: str, identifier: object) -> str:
        """HMAC-SHA-256 of a kind and identifier, cut to 128 bits, in base32."""
        digest = _digest(self._key, f"{kind}\0{identifier}")[: PSEUDONYM_BITS // 8]
        return base64.b32encode(digest).decode().rstrip("=").lower()

    def letters(self, kind: str, identifiers: Iterable[object]) -> dict[object, str]:
        """A, B, C ... for a few things (surgeons, units), in an order that only the key knows."""
        ordered = sorted(set(identifiers), key=lambda identifier: self.of(kind, identifier))
        return {identifier: _letters(place) for place, identifier in enumerate(ordered)}


def _digest(key: bytes, text: str) -> bytes:
    return hmac.new(key, text.encode(), sha256).digest()


def _letters(place: int) -> str:
    """0 is A, 25 is Z, 26 is AA."""
    name = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, len(ascii_uppercase))
        name = ascii_uppercase[rest] + name
    return name
