"""The record written to an archive, row by row; the file appears whole or not at all."""

import errno
import gzip
import hashlib
import json
import os
import tempfile
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

from cryptography.fernet import Fernet
from django.db.models import QuerySet
from django.utils import timezone

from registry.archive.schema import FORMAT, VERSION
from registry.archive.sealing import IDENTITIES, Turn, is_of_identities, outward, turned, without_index
from registry.archive.tables import Row, Table, tables
from registry.models import Correction, Identity, IntakeRow
from registry.snapshot import snapshot
from registry.telling import Tell, silently

ROWS_AT_ONCE = 2000


def write(path: Path, key: Fernet | None, tell: Tell = silently) -> dict[str, int]:
    """Write the whole record, as it stands at one moment, to a new file that its owner alone may read.

    Parameters
    ----------
    key
        Seals identities and patients' words in the archive; None leaves them out.

    Returns
    -------
    Rows written by table.

    Raises
    ------
    WrongKey
        A sealed value is opened by no key of this installation; nothing stays behind.
    OSError
        The file stands already or cannot be written; nothing stays behind.
    """
    if path.exists():
        raise FileExistsError(errno.EEXIST, "it stands already", str(path))
    handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
    part = Path(name)
    try:
        with snapshot(), os.fdopen(handle, "wb") as raw:
            with gzip.GzipFile(filename="", mode="wb", fileobj=raw, mtime=0) as file:
                counts = _write(file, key, tell)
            raw.flush()
            os.fsync(raw.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return counts


def _write(file: gzip.GzipFile, key: Fernet | None, tell: Tell) -> dict[str, int]:
    counts = {table.name: _rows_of(table, key).count() for table in tables().values()}
    total, written, digest = sum(counts.values()), 0, hashlib.sha256()

    def put(line: Row) -> None:
        # In one order: PostgreSQL keeps the names of a JSON value in an order of its own.
        plain = json.dumps(
            line, ensure_ascii=False, separators=(",", ":"), sort_keys=True, allow_nan=False
        ).encode()
        digest.update(plain + b"\n")
        file.write(plain + b"\n")

    put(_header(counts, key is not None))
    for table in tables().values():
        for row in _told(table, key):
            put({"table": table.name, "row": row})
            written += 1
            if written % ROWS_AT_ONCE == 0:
                tell("Writing", written, total)
    put({"sha256": digest.hexdigest()})
    return counts


def _header(counts: dict[str, int], identities: bool) -> Row:
    return {
        "archive": FORMAT,
        "version": VERSION,
        "software": f"Rimward {version('rimward')}",
        "written_at": timezone.now().isoformat(),
        "identities": identities,
        "rows": counts,
    }


def _rows_of(table: Table, key: Fernet | None) -> QuerySet[Any, Any]:
    """The rows of a table that go along: without a key no identity, and nothing that speaks of one."""
    rows = table.rows()
    if key is None and table.model is Identity:
        return rows.none()
    if key is None and table.model in (Correction, IntakeRow):
        return rows.exclude(row_table=IDENTITIES)
    return rows


def _told(table: Table, key: Fernet | None) -> Iterator[Row]:
    turn: Turn = outward(key) if key else lambda _: ""
    for row in table.told(_rows_of(table, key), ROWS_AT_ONCE):
        told = turned(row, turn)
        if table.model is Correction and is_of_identities(told):
            told |= {"before": without_index(told["before"]), "after": without_index(told["after"])}
        yield told
