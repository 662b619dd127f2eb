"""The file of a backup: parts as tar (POSIX.1-2001), gzipped, in the open age format (age-encryption.org/v1).

Whoever has a public key can write such a file, so age alone does not say where it comes from: the manifest is
sealed by IDENTITY_KEYS too, and a file made elsewhere does not open by them.
"""

import hashlib
import tarfile
import zlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, BinaryIO, TypeAlias

import pyrage

from registry.backup.files import AT_ONCE
from registry.backup.refusals import BackupRefused

Recipient: TypeAlias = Any  # pyrage.x25519.Recipient
Identity: TypeAlias = Any  # pyrage.x25519.Identity

_GZIP = 16 + zlib.MAX_WBITS
_LEVEL = 6
DAMAGED = (
    "{path} is damaged, or no backup: {words}. Nothing was touched. Take another copy of it, or an earlier "
    "backup."
)
NOT_FOR_THIS_KEY = (
    "{path} does not open by the key given, or its beginning is damaged ({words}). Nothing was touched. Give "
    "the private key of one of the recipients it was made for."
)


def recipients_of(texts: Iterable[str]) -> list[Recipient]:
    """Public keys of age; refuses none at all, or one that is no key."""
    found = []
    for text in texts:
        try:
            found.append(pyrage.x25519.Recipient.from_str(text.strip()))
        except pyrage.RecipientError as error:
            rule = (
                f"'{text}' is no public key of age ({error}). It begins with age1; backup --make-key makes "
                f"one."
            )
            raise BackupRefused(f"BACKUP_RECIPIENTS: {rule}") from error
    if not found:
        raise BackupRefused(
            "BACKUP_RECIPIENTS is empty, so nobody could open the backup. Name a public key, or give "
            "--recipient; backup --make-key makes a pair."
        )
    return found


def identities_in(path: Path) -> list[Identity]:
    """The private keys in a key file of age: one a line, '#' begins a remark."""
    try:
        lines = [line.strip() for line in path.read_text(encoding="ascii").splitlines()]
        found = [pyrage.x25519.Identity.from_str(line) for line in lines if line and not line.startswith("#")]
    except OSError as error:
        raise BackupRefused(
            f"--identity {path} cannot be read ({error.strerror}). Give the key file."
        ) from error
    except (UnicodeDecodeError, pyrage.IdentityError):
        # The error may show the line.
        found = []
    if not found:
        raise BackupRefused(
            f"--identity {path} holds no private key of age: a line that begins with AGE-SECRET-KEY-1. "
            "Give the file that backup --make-key was kept in."
        )
    return found


def new_pair() -> tuple[str, str]:
    """A new private key and its public key."""
    identity = pyrage.x25519.Identity.generate()
    return str(identity), str(identity.to_public())


def encrypt(parts: Iterable[tuple[str, Path]], into: BinaryIO, recipients: list[Recipient]) -> str:
    """Write parts, by name, as one encrypted file, a chunk in memory at a time; its SHA-256."""
    reader, writer = _Reader(_gzipped(_tarred(parts))), _Writer(into)
    try:
        pyrage.encrypt_io(reader, writer, recipients)
    except pyrage.EncryptError:
        # What went wrong in reading or writing comes through as words alone.
        raise reader.problem or writer.problem or RuntimeError("age could not encrypt") from None
    return writer.digest.hexdigest()


def decrypt(path: Path, into: Path, identities: list[Identity]) -> None:
    """Open a whole file into a gzipped tar; nothing of it may be read until all of it has proved whole."""
    with path.open("rb"):
        pass  # a file that cannot be read says so in its own words
    try:
        pyrage.decrypt_file(str(path), str(into), identities)
    except pyrage.DecryptError as error:
        raise BackupRefused(NOT_FOR_THIS_KEY.format(path=path, words=error)) from error
    except OSError as error:
        if "os error" in str(error):
            raise
        raise BackupRefused(DAMAGED.format(path=path, words=error)) from error


class _Reader:
    """A file to pyrage: what an iterator yields."""

    def __init__(self, chunks: Iterator[bytes]) -> None:
        self._chunks, self._left = chunks, b""
        self.problem: Exception | None = None

    def read(self, size: int) -> bytes:
        try:
            while not self._left:
                self._left = next(self._chunks)
        except StopIteration:
            return b""
        except Exception as error:
            self.problem = error
            raise
        taken, self._left = self._left[:size], self._left[size:]
        return taken


class _Writer:
    """A file to pyrage that takes the digest of what passes."""

    def __init__(self, file: BinaryIO) -> None:
        self._file, self.digest = file, hashlib.sha256()
        self.problem: Exception | None = None

    def write(self, content: bytes) -> int:
        self.digest.update(content)
        self._noting(lambda: self._file.write(content))
        return len(content)

    def flush(self) -> None:
        self._noting(self._file.flush)

    def _noting(self, act: Callable[[], object]) -> None:
        try:
            act()
        except Exception as error:
            self.problem = error
            raise


def _tarred(parts: Iterable[tuple[str, Path]]) -> Iterator[bytes]:
    for name, path in parts:
        info = tarfile.TarInfo(name)
        info.size, info.mode = path.stat().st_size, 0o600
        yield info.tobuf(tarfile.PAX_FORMAT)
        yield from _content(path, info.size)
        yield b"\0" * (-info.size % tarfile.BLOCKSIZE)
    yield b"\0" * (2 * tarfile.BLOCKSIZE)


def _content(path: Path, size: int) -> Iterator[bytes]:
    left = size
    with path.open("rb") as file:
        while left and (chunk := file.read(min(left, AT_ONCE))):
            left -= len(chunk)
            yield chunk
    if left:
        raise BackupRefused(f"{path.name} became shorter while it was read. Nothing was written. Try again.")


def _gzipped(chunks: Iterator[bytes]) -> Iterator[bytes]:
    packer = zlib.compressobj(_LEVEL, zlib.DEFLATED, _GZIP)
    for chunk in chunks:
        yield packer.compress(chunk)
    yield packer.flush()
