"""An archive read into an empty record: all of it or nothing, with every rule of the database on.

It goes past registry.recording, since what it reads is the whole history itself, with its versions and
corrections. The rules that only words say, such as no day in the future, were asked when a row was recorded.
"""

from collections.abc import Iterator
from itertools import groupby, islice
from operator import itemgetter
from pathlib import Path

from cryptography.fernet import Fernet
from django.contrib.auth.hashers import make_password
from django.core.exceptions import ValidationError
from django.db import DatabaseError, connection, transaction

from registry import bulk
from registry.archive.checking import Checked, check, rows
from registry.archive.sealing import Turn, indexed, inward, is_of_identities, turned
from registry.archive.tables import Row, Table, tables
from registry.archive.writing import ROWS_AT_ONCE
from registry.models import Correction, Identity, User
from registry.telling import Tell, silently

NOT_EMPTY = (
    "This record is not empty: {tables} hold rows. An archive is read into a new installation, before "
    "anybody is invited."
)
NEEDS_KEY = "The archive holds identities. Give the key that it was written with (--key-file)."
RULE_BROKEN = "A rule of the record is broken{where}: {words}. Correct it where the archive was written."


class CannotRead(ValueError):  # noqa: N818 - said to a person as it stands
    """Why an archive that is sound cannot be read into this record."""


def read(path: Path, key: Fernet | None, tell: Tell = silently) -> dict[str, int]:
    """Read an archive into this record, which must be empty.

    Returns
    -------
    Rows read by table.

    Raises
    ------
    BadArchive, OSError
        As `check`; nothing was written.
    CannotRead, WrongKey
        The record is not empty, the key does not fit, or a rule of the database is broken; nothing was
        written.
    """
    _refuse_unless_empty()
    checked = check(path)
    if checked.header["identities"] and key is None:
        raise CannotRead(NEEDS_KEY)
    try:
        with transaction.atomic():
            _refuse_unless_empty()
            _write(path, checked, inward(key) if key else str, tell)
            written = [table.model for table in tables().values()]
            bulk.reset_sequences(written)
            bulk.note_sizes(written)
            connection.check_constraints()
    except DatabaseError as error:
        raise CannotRead(RULE_BROKEN.format(where="", words=_words(error))) from error
    return dict(checked.header["rows"])


def _refuse_unless_empty() -> None:
    full = [table.name for table in tables().values() if table.all().exists()]
    if full:
        raise CannotRead(NOT_EMPTY.format(tables=", ".join(full)))


def _write(path: Path, checked: Checked, turn: Turn, tell: Tell) -> None:
    written = 0
    for name, told in groupby(rows(path), key=itemgetter(0)):
        lines = (row for _, row in told)
        while chunk := list(islice(lines, ROWS_AT_ONCE)):
            _write_rows(tables()[name], chunk, checked, turn)
            written += len(chunk)
            tell("Reading", written, checked.rows)


def _write_rows(table: Table, told: list[Row], checked: Checked, turn: Turn) -> None:
    try:
        bulk.write(table.model, list(_values(table, told, checked, turn)))
    except DatabaseError as error:
        where = f" by a {table.name} of keys {told[0]['id']} to {told[-1]['id']}"
        raise CannotRead(RULE_BROKEN.format(where=where, words=_words(error))) from error


def _words(error: DatabaseError) -> str:
    """What a database says, without its details: they may hold the row."""
    return str(error).strip().splitlines()[0]


def _values(table: Table, told: list[Row], checked: Checked, turn: Turn) -> Iterator[Row]:
    units = checked.units_of_identities
    for row in told:
        values = _read(table, turned(row, turn))
        if table.model is Identity:
            values = indexed(values, values["unit_id"])
        elif table.model is Correction and is_of_identities(values) and values["row_id"] in units:
            unit = units[values["row_id"]]
            values |= {side: indexed(values[side], unit) for side in ("before", "after")}
        elif table.model is User:
            # Who it was, not who may come in.
            values |= {"password": make_password(None), "is_active": False}
        yield values


def _read(table: Table, row: Row) -> Row:
    try:
        return table.read(row)
    except ValidationError as error:
        raise CannotRead(f"{table.name} {row['id']}: {' '.join(error.messages)} Correct it.") from error
