"""Single values, of columns that are text, bytes or JSON: by which key they open, and sealed by the first."""

from collections.abc import Iterator
from typing import Any

from cryptography.fernet import Fernet, InvalidToken
from django.conf import settings

from registry.sealing import is_sealed

# Stands for the place of the key that opens a value, where none does.
NO_KEY = -1


class Keys:
    """Today's IDENTITY_KEYS, in order."""

    def __init__(self) -> None:
        self._keys = [Fernet(key) for key in settings.IDENTITY_KEYS]

    def place(self, value: Any) -> int:
        """Place of the first key that opens a value."""
        for place, key in enumerate(self._keys):
            try:
                key.decrypt(_as_bytes(value))
            except InvalidToken:
                continue
            return place
        return NO_KEY

    def resealed(self, value: Any) -> Any:
        """The same, sealed by the first key. A value that has that seal already stays, as does what is empty.

        Raises
        ------
        cryptography.fernet.InvalidToken
            No key opens it.
        """
        if isinstance(value, dict):
            return {
                name: self.resealed(part) if _is_told(name, part) else part for name, part in value.items()
            }
        if not value or self.place(value) == 0:
            return value
        plain = self._opened(value)
        sealed = self._keys[0].encrypt(plain)
        if self._keys[0].decrypt(sealed) != plain:
            raise InvalidToken
        return sealed.decode() if isinstance(value, str) else sealed

    def _opened(self, value: Any) -> bytes:
        place = self.place(value)
        if place == NO_KEY:
            raise InvalidToken
        return self._keys[place].decrypt(_as_bytes(value))


def sealed_in(value: Any) -> Iterator[Any]:
    """The sealed values of a column: itself, or those among the values that a correction tells."""
    if isinstance(value, dict):
        yield from (part for name, part in value.items() if _is_told(name, part))
    elif value:
        yield value


def _is_told(name: str, part: Any) -> bool:
    return is_sealed(name) and isinstance(part, str) and bool(part)


def _as_bytes(value: Any) -> bytes:
    return value.encode() if isinstance(value, str) else bytes(value)
