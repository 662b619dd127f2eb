"""Rotation: every sealed value opened by any key and sealed by the first, a batch a transaction.

It may be broken off and begun again at any time: what has the first key's seal is left alone. The site may
run, as long as all of its processes know the new key."""

import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from cryptography.fernet import InvalidToken
from django.db import OperationalError

from registry.rekeying.columns import Sealed, sealed_tables
from registry.rekeying.lifting import lifted
from registry.rekeying.values import NO_KEY, Keys, sealed_in
from registry.retrying import is_broken_off, is_timed_out
from registry.telling import Tell, silently

ROWS_AT_ONCE = 500
# So many files are in memory at a time.
FILES_AT_ONCE = 2
TRIES = 30


@dataclass(slots=True)
class Resealed:
    """What became of the values: sealed anew, and those that no key opens, by table and row."""

    rows: int
    unopened: list[str]


def count_by_key() -> dict[str, dict[int, int]]:
    """By "table.column", how many values open first by the key in each place; -1 for none."""
    keys = Keys()
    counts: dict[str, dict[int, int]] = {}
    for sealed in sealed_tables():
        for row in _rows(sealed):
            for name in sealed.columns:
                for value in sealed_in(row[name]):
                    of_column = counts.setdefault(f"{sealed.table}.{name}", {})
                    place = keys.place(value)
                    of_column[place] = of_column.get(place, 0) + 1
    return counts


def reseal(tell: Tell = silently) -> Resealed:
    """Seal every value by the first key.

    Raises
    ------
    registry.rekeying.lifting.NotTheOwner
        On PostgreSQL, when this role does not own the tables.
    """
    keys, found = Keys(), Resealed(0, [])
    tables = sealed_tables()
    for done, sealed in enumerate(tables):
        tell(f"Sealing {sealed.table}", done, len(tables))
        for batch in _batches(sealed):
            waiting = [row["pk"] for row in batch if _waits(sealed, row, keys)]
            if waiting:
                found.rows += _patiently(sealed, waiting, keys)
    found.unopened = [
        f"{sealed.table} {row['pk']}: {name}"
        for sealed in tables
        for row in _rows(sealed)
        for name in sealed.columns
        if any(keys.place(value) == NO_KEY for value in sealed_in(row[name]))
    ]
    return found


def _waits(sealed: Sealed, row: dict[str, Any], keys: Keys) -> bool:
    places = {keys.place(value) for name in sealed.columns for value in sealed_in(row[name])}
    return bool(places - {0, NO_KEY})


def _patiently(sealed: Sealed, rows: list[Any], keys: Keys) -> int:
    """Seal rows anew; where others hold the table for long, let them go first."""
    for _ in range(TRIES):
        try:
            with lifted(sealed.table):
                return sum(_seal_anew(sealed, key, keys) for key in rows)
        except OperationalError as error:
            if not (is_timed_out(error) or is_broken_off(error)):
                raise
            time.sleep(1)
    with lifted(sealed.table):
        return sum(_seal_anew(sealed, key, keys) for key in rows)


def _seal_anew(sealed: Sealed, key: Any, keys: Keys) -> bool:
    """Write the seals of one row, as it stands now, and nothing else of it."""
    rows = sealed.model._base_manager.filter(pk=key)
    row = rows.select_for_update().values(*sealed.columns).first()
    if row is None:
        return False
    changed = {}
    for name in sealed.columns:
        try:
            value = keys.resealed(row[name])
        except InvalidToken:
            continue  # told at the end
        if value != row[name]:
            changed[name] = value
    return bool(changed and rows.update(**changed))


def _rows(sealed: Sealed) -> Iterator[dict[str, Any]]:
    for batch in _batches(sealed):
        yield from batch


def _batches(sealed: Sealed) -> Iterator[list[dict[str, Any]]]:
    """All rows in the order of their keys, by queries of their own: no transaction stays open in between."""
    at_once = FILES_AT_ONCE if sealed.has_files else ROWS_AT_ONCE
    rows = sealed.model._base_manager.order_by("pk").values("pk", *sealed.columns)
    batch = list(rows[:at_once])
    while batch:
        yield batch
        batch = list(rows.filter(pk__gt=batch[-1]["pk"])[:at_once])
