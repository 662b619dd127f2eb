"""A disk so small that a test can fill it."""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

MEBIBYTES = 24
FILLER = "filler"


@contextmanager
def small_disk(folder: Path) -> Iterator[Path]:
    """A file system of its own in the memory of the machine; only root may mount one."""
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={MEBIBYTES}m", "rimward", str(folder)]
    try:
        mounted = subprocess.run(command, capture_output=True, text=True)
    except FileNotFoundError:
        pytest.skip("no program to mount a small file system with")
    if mounted.returncode != 0:
        pytest.skip(f"no small file system can be mounted here: {mounted.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def fill(disk: Path) -> None:
    """Take all the room there is, to the last byte."""
    with (disk / FILLER).open("ab", buffering=0) as filler:
        for size in (2**20, 2**12, 1):
            try:
                while True:
                    filler.write(os.urandom(size))
            except OSError:
                continue


def make_room(disk: Path) -> None:
    (disk / FILLER).unlink()
