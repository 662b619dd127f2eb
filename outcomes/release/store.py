"""Packages on disk: whole before their ledger entry is written, and seen only after it.

    pending/<uuid>.<worker's own>.part  ->  pending/<uuid>.zip  ->  ledger entry committed  ->  <uuid>.zip

Whatever broke off in between is settled by the ledger the next time anybody looks.
"""

import contextlib
import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from uuid import UUID, uuid4

from django.conf import settings

from outcomes.models import LedgerEntry, LedgerKind
from registry.backup.files import flush_path

# What lies in pending without an entry for so long is of work that was given up.
GIVEN_UP_AFTER_SECONDS = 24 * 60 * 60


def folder() -> Path:
    """The folder of packages, which only this site may read."""
    return _own(Path(settings.RELEASES_DIR))


def work_of(job: UUID) -> Path:
    """The folder of one release in the making: its rows before they are packed."""
    return _own(_own(folder() / "work") / str(job))


def drop_work(job: UUID) -> None:
    """Remove what was prepared for a release."""
    shutil.rmtree(folder() / "work" / str(job), ignore_errors=True)


def keep(uuid: UUID, write: Callable[[Path], str]) -> tuple[str, int]:
    """Write a package whole into pending and flush it; its SHA-256, which `write` gives, and its size."""
    # By a name of its own: a worker taken for gone may still be writing its own.
    part, whole = _pending(uuid).with_suffix(f".{uuid4().hex}.part"), _pending(uuid)
    digest = write(part)
    flush_path(part)
    os.replace(part, whole)
    flush_path(whole.parent)
    return digest, whole.stat().st_size


def publish(uuid: UUID) -> None:
    """Let a package whose entry is committed be seen."""
    with contextlib.suppress(FileNotFoundError):
        os.replace(_pending(uuid), folder() / f"{uuid}.zip")
        flush_path(folder())


def settle() -> None:
    """Publish what was entered in the ledger, and remove what has waited for its entry too long."""
    for path in (folder() / "pending").glob("*"):
        entered = _entered_as(path)
        if entered:
            publish(entered)
            continue
        # Another process may just have moved it on.
        with contextlib.suppress(FileNotFoundError):
            if time.time() - path.stat().st_mtime > GIVEN_UP_AFTER_SECONDS:
                path.unlink()


def packages() -> Iterator[Path]:
    """Every package that can be seen."""
    yield from sorted(folder().glob("*.zip"))


def package_of(entry: LedgerEntry) -> Path | None:
    """The package of a release, recalled or not; None when it is not in the store."""
    path = folder() / f"{entry.uuid}.zip"
    return path if path.exists() else None


def path_of(entry: LedgerEntry) -> Path | None:
    """The package of a release to hand out; None when it was recalled or is not in the store."""
    recalled = LedgerEntry.objects.filter(kind=LedgerKind.RECALL, of=entry).exists()
    return None if recalled else package_of(entry)


def _pending(uuid: UUID) -> Path:
    return _own(folder() / "pending") / f"{uuid}.zip"


def _entered_as(path: Path) -> UUID | None:
    """The entry of a whole package that waits; None for anything else."""
    try:
        uuid = UUID(path.stem)
    except ValueError:
        return None
    is_entered = path.suffix == ".zip" and LedgerEntry.objects.filter(uuid=uuid).exists()
    return uuid if is_entered else None


def _own(path: Path) -> Path:
    path.mkdir(mode=0o700, parents=True, exist_ok=True)
    return path
