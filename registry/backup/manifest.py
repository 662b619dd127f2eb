"""What a backup says of itself: which software and engine, how many rows, and the digest of every part."""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from cryptography.fernet import Fernet, InvalidToken
from django.conf import settings

from registry import sealing
from registry.backup.refusals import BackupRefused

FORMAT, VERSION = "rimward-backup", 1
# Names of the parts that every backup begins with.
MANIFEST, SEALS = "manifest.json", "seals.json"
DATABASE = "database"

KEYS_DIFFER = (
    "The backup was made with {made} IDENTITY_KEYS, of which {missing} opens by none of today's: its sealed "
    "values could not be read, and nothing shows that it was made here. Put the key back, after the "
    "others. If it is lost for good, --without-keys puts back all the rest."
)
NOT_AS_SEALED = "Its manifest is not the one that was sealed with it: it was altered. Nothing was touched."


@dataclass(frozen=True, slots=True)
class Facts:
    """What a database holds, told so that two of one engine can be held beside each other."""

    # By table: its rows, and the SHA-256 over all of them.
    rows: dict[str, int]
    digests: dict[str, str]
    # Triggers, constraints, indexes and policies, as the engine names them.
    rules: list[str]
    # "app.name" of every migration applied.
    migrations: list[str]

    def differences(self, found: "Facts") -> list[str]:
        """What another database holds otherwise, in words."""
        said = [
            f"{table}: {found.rows.get(table, 0):,} rows instead of {self.rows.get(table, 0):,}"
            for table in sorted(self.rows.keys() | found.rows)
            if self.rows.get(table) != found.rows.get(table)
        ]
        said += [
            f"{table}: other values in its rows"
            for table, digest in self.digests.items()
            if self.rows[table] == found.rows.get(table) and digest != found.digests[table]
        ]
        missing, more = set(self.rules) - set(found.rules), set(found.rules) - set(self.rules)
        said += [f"{rule}: this rule of the database is missing" for rule in sorted(missing)]
        return said + [f"{rule}: this rule of the database is new" for rule in sorted(more)]


@dataclass(frozen=True, slots=True)
class Manifest:
    """The first part of a backup."""

    software: str
    made_at: str
    engine: str
    engine_version: str
    name: str
    facts: Facts
    # SHA-256 of every other part, by its name.
    parts: dict[str, str]
    # A digest by IDENTITY_INDEX_KEY, which shows whether it is today's.
    index_probe: str
    # What did not hold when the backup was made, and was let pass.
    problems: list[str] = field(default_factory=list)

    def as_bytes(self) -> bytes:
        told = {"backup": FORMAT, "version": VERSION} | asdict(self)
        return json.dumps(told, indent=1, sort_keys=True).encode()

    @classmethod
    def from_bytes(cls, content: bytes) -> "Manifest":
        told: dict[str, Any] = json.loads(content)
        if told.pop("backup", None) != FORMAT or told.pop("version", None) != VERSION:
            raise BackupRefused("It is no backup that this release reads. Use the release that made it.")
        return cls(**{**told, "facts": Facts(**told["facts"])})


def seals_of(manifest: bytes) -> bytes:
    """The manifest's digest sealed by each of IDENTITY_KEYS: it shows later which keys are needed."""
    digest = hashlib.sha256(manifest).hexdigest().encode()
    return json.dumps([Fernet(key).encrypt(digest).decode() for key in settings.IDENTITY_KEYS]).encode()


def check_seals(manifest: bytes, seals: bytes) -> None:
    """Refuse a manifest that today's keys did not seal."""
    tokens: Sequence[str] = json.loads(seals)
    opened = [_opened(token) for token in tokens]
    if None in opened or not opened:
        missing = opened.count(None)
        raise BackupRefused(KEYS_DIFFER.format(made=len(tokens), missing=missing))
    if set(opened) != {hashlib.sha256(manifest).hexdigest()}:
        raise BackupRefused(NOT_AS_SEALED)


def index_probe() -> str:
    """A digest that differs as soon as IDENTITY_INDEX_KEY does, of no number that anybody has."""
    return sealing.blind_index(0, "fingerprint")[:16]


def _opened(token: str) -> str | None:
    try:
        return sealing.unseal(token)
    except InvalidToken:
        return None
