"""Files of a backup: folders to work in that nobody else reads, and files that appear whole or not at all."""

import errno
import fcntl
import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from django.conf import settings

AT_ONCE = 1024 * 1024
_LOCK = "lock"


@contextmanager
def workplace() -> Iterator[Path]:
    """A folder of its own for one backup or restore; it goes with the work, or at the next after a crash.

    What lies in it is as open as the database itself, so it stays on the machine of the database.
    """
    base = Path(settings.BACKUP_WORK_DIR)
    base.mkdir(mode=0o700, parents=True, exist_ok=True)
    _sweep(base.glob("work-*"))
    folder = Path(tempfile.mkdtemp(prefix="work-", dir=base))
    try:
        # Held for as long as this process lives: a folder that nobody holds was left behind.
        with (folder / _LOCK).open("wb") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            inside = folder / "in"
            inside.mkdir()
            yield inside
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """A new file, readable by its owner alone, that stands under its name only once all of it is on disk.

    Raises
    ------
    FileExistsError
        It stands already.
    """
    refuse_standing(path)
    _sweep(path.parent.glob(f".{path.name}.*.part"))
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    os.close(handle)
    part = Path(name)
    try:
        with part.open("wb") as file:
            fcntl.flock(file, fcntl.LOCK_EX)
            yield file
            flush(file)
            refuse_standing(path)
            part.rename(path)
        flush_path(path.parent)
    finally:
        part.unlink(missing_ok=True)


def refuse_standing(path: Path) -> None:
    """Raise FileExistsError where something stands under a name."""
    if os.path.lexists(path):
        raise FileExistsError(errno.EEXIST, "it stands already", str(path))


def flush(file: BinaryIO) -> None:
    """Let what was written outlive a loss of power."""
    file.flush()
    os.fsync(file.fileno())


def flush_path(path: Path) -> None:
    """Let a file, or the names in a folder, outlive a loss of power."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sha256_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def copy_whole(source: Path, target: Path) -> None:
    """Copy a file to a new name, where it is seen only whole."""
    with source.open("rb") as file, whole_file(target) as new:
        shutil.copyfileobj(file, new, AT_ONCE)


def _sweep(paths: Iterator[Path]) -> None:
    """Remove what a process that is gone left behind."""
    for path in paths:
        held = path / _LOCK if path.is_dir() else path
        with suppress(OSError), held.open("rb") as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(path) if path.is_dir() else path.unlink()
