"""A zip that is the same whenever the same is put into it, written member by member."""

import io
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self

# Zip members carry a date and a mode; these say nothing.
_NO_DATE = (1980, 1, 1, 0, 0, 0)
_UNIX, _MODE = 3, 0o644 << 16
_LEVEL = 6


@dataclass(frozen=True, slots=True)
class Sum:
    """The size of a file in bytes, and its SHA-256 in hexadecimal."""

    size: int
    sha256: str


class _Summed(io.RawIOBase):
    """A file to write to that counts and hashes what goes through it."""

    def __init__(self, into: IO[bytes]) -> None:
        self._into, self._size, self._hash = into, 0, sha256()

    def writable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._size

    def write(self, data: Any) -> int:
        written = self._into.write(data)
        self._hash.update(data)
        self._size += written
        return written

    @property
    def sum(self) -> Sum:
        return Sum(self._size, self._hash.hexdigest())


class Archive:
    """A zip in the making; `sums` are of the members that stand in it, in their order.

    An error takes the file away: what is left of it would open like a whole one.
    """

    def __init__(self, path: Path) -> None:
        self._path, self._zip = path, zipfile.ZipFile(path, "w")
        self.sums: dict[str, Sum] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._zip.close()
        if error is not None:
            self._path.unlink()

    @contextmanager
    def member(self, name: str, *, deflated: bool = True) -> Iterator[IO[bytes]]:
        """A new member to write to, packed unless it is packed by itself."""
        info = zipfile.ZipInfo(name, _NO_DATE)
        info.create_system, info.external_attr = _UNIX, _MODE
        info.compress_type = zipfile.ZIP_DEFLATED if deflated else zipfile.ZIP_STORED
        info._compresslevel = _LEVEL  # type: ignore[attr-defined]
        with self._zip.open(info, "w", force_zip64=True) as into:
            summed = _Summed(into)
            yield summed  # type: ignore[misc]
        self.sums[name] = summed.sum

    def add(self, name: str, text: str) -> None:
        """A new member of text."""
        with self.member(name) as into:
            into.write(text.encode())


def sum_of(path: Path) -> Sum:
    """Size and hash of a file that stands, read in parts."""
    taken = sha256()
    with path.open("rb") as file:
        while part := file.read(1 << 20):
            taken.update(part)
    return Sum(path.stat().st_size, taken.hexdigest())
