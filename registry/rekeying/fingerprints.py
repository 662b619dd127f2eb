"""Short names of keys, by which two can be told apart; no key can be worked out from its own."""

import hashlib

from django.conf import settings

from registry.backup.manifest import index_probe

DIGITS = 8


def of_identity_keys() -> list[str]:
    """One a key, in order. Keys are 256 random bits, so a plain digest gives nothing away."""
    keys = (f"rimward identity key {key}" for key in settings.IDENTITY_KEYS)
    return [hashlib.sha256(key.encode()).hexdigest()[:DIGITS] for key in keys]


def of_index_key() -> str:
    """Of the key of the blind index, which may be words: as hard to guess as an index is."""
    return index_probe()[:DIGITS]
