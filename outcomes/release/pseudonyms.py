"""Names that lead nowhere: stable within a project, unlinkable across projects, worthless without the key."""

import base64
import hmac

PSEUDONYM_BITS = 128
# For surgeons and units, of whom there are few: eight letters and digits.
SHORT_BITS = 40


class Pseudonyms:
    """Pseudonyms of one project, from the site's release key (kept outside the database)."""

    def __init__(self, release_key: str, project: str) -> None:
        self._key = _digest(release_key.encode(), f"project\0{plain_name(project)}")

    def of(self, kind: str, identifier: object, bits: int = PSEUDONYM_BITS) -> str:
        """HMAC-SHA-256 of a kind and identifier, cut to `bits`, in base32."""
        digest = _digest(self._key, f"{kind}\0{identifier}")[: bits // 8]
        return base64.b32encode(digest).decode().rstrip("=").lower()


def plain_name(project: str) -> str:
    """A project is the same however its name is spaced or capitalised."""
    return " ".join(project.split()).casefold()


def _digest(key: bytes, text: str) -> bytes:
    return hmac.digest(key, text.encode(), "sha256")
