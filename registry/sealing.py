"""Sealing of identities at rest and the blind index that finds one without opening any.

Keys come from settings (environment or key file), never from the database. The first sealing key seals;
all of them open, so a key can be rotated.
"""

import hashlib
import hmac
from functools import lru_cache

from cryptography.fernet import Fernet, MultiFernet
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings


def seal(plain: str) -> str:
    """Authenticated encryption of a text; the empty text stays empty."""
    return _sealer(tuple(settings.IDENTITY_KEYS)).encrypt(plain.encode()).decode() if plain else ""


def unseal(sealed: str) -> str:
    """The plain text; raises cryptography.fernet.InvalidToken when no key fits or the value was altered."""
    return _sealer(tuple(settings.IDENTITY_KEYS)).decrypt(sealed.encode()).decode() if sealed else ""


def seal_bytes(plain: bytes) -> bytes:
    """Authenticated encryption of a file, a third larger than it."""
    return _sealer(tuple(settings.IDENTITY_KEYS)).encrypt(plain)


def unseal_bytes(sealed: bytes) -> bytes:
    """The file; raises cryptography.fernet.InvalidToken when no key fits or it was altered."""
    return _sealer(tuple(settings.IDENTITY_KEYS)).decrypt(sealed)


def is_sealed(column: str) -> bool:
    """Whether a column of this name holds a sealed value."""
    return column == "sealed" or column.endswith("_sealed") or column.startswith("sealed_")


def plain_number(hospital_number: str) -> str:
    """A hospital number without spacing and letter case, as the blind index sees it."""
    return "".join(hospital_number.split()).upper()


def blind_index(unit_key: int, hospital_number: str) -> str:
    """Keyed digest (hex) of a hospital number within a unit, blind to spacing and letter case.

    The unit is named by its primary key, which never changes; its code and name may.
    """
    plain = f"{unit_key}\0{plain_number(hospital_number)}"
    return hmac.new(_index_key(settings.IDENTITY_INDEX_KEY), plain.encode(), hashlib.sha256).hexdigest()


@lru_cache
def _sealer(keys: tuple[str, ...]) -> MultiFernet:
    return MultiFernet([Fernet(key) for key in keys])


@lru_cache
def _index_key(key: str) -> bytes:
    return HKDF(SHA256(), 32, salt=None, info=b"rimward hospital number index").derive(key.encode())
