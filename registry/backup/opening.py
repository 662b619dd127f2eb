"""A backup opened into a folder: all of it proved before any of it is used."""

import hashlib
import json
import re
import tarfile
from pathlib import Path
from typing import IO

from registry.backup.files import AT_ONCE
from registry.backup.manifest import DATABASE, MANIFEST, SEALS, Manifest, check_seals
from registry.backup.refusals import BackupRefused
from registry.backup.sealing import DAMAGED, Identity, decrypt

_MEMBER = re.compile(rf"{re.escape(MANIFEST)}|{re.escape(SEALS)}|{DATABASE}|[a-z]+/[0-9A-Za-z][0-9A-Za-z.-]*")


def opened(path: Path, identities: list[Identity], folder: Path, *, without_keys: bool = False) -> Manifest:
    """Put every part of a backup into a folder; its manifest.

    Raises
    ------
    BackupRefused
        It does not open, is damaged, or was not sealed by today's keys (unless `without_keys`).
    """
    packed = folder.with_name("parts.tar.gz")
    decrypt(path, packed, identities)
    try:
        digests = _unpacked(packed, folder)
        content = (folder / MANIFEST).read_bytes()
        if not without_keys:
            check_seals(content, (folder / SEALS).read_bytes())
        manifest = Manifest.from_bytes(content)
    except (tarfile.TarError, KeyError, TypeError, FileNotFoundError, json.JSONDecodeError) as error:
        words = f"it holds other parts than a backup ({type(error).__name__})"
        raise BackupRefused(DAMAGED.format(path=path, words=words)) from error
    finally:
        packed.unlink()
    for name in manifest.parts.keys() | (digests.keys() - {MANIFEST, SEALS}):
        if digests.get(name) != manifest.parts.get(name):
            raise BackupRefused(DAMAGED.format(path=path, words=f"{name} is not the part that was written"))
    return manifest


def _unpacked(packed: Path, folder: Path) -> dict[str, str]:
    """SHA-256 of each part, by its name."""
    digests: dict[str, str] = {}
    with tarfile.open(packed, "r:gz") as archive:
        for member in archive:
            source = archive.extractfile(member)
            if source is None or not _MEMBER.fullmatch(member.name) or member.name in digests:
                raise tarfile.TarError("a part of another kind")
            target = folder / member.name
            target.parent.mkdir(exist_ok=True)
            digests[member.name] = _written(source, target)
    return digests


def _written(source: IO[bytes], target: Path) -> str:
    digest = hashlib.sha256()
    with target.open("xb") as file:
        while chunk := source.read(AT_ONCE):
            digest.update(chunk)
            file.write(chunk)
    return digest.hexdigest()
