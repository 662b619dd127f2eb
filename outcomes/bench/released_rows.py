"""An invented table of released repairs: its columns, types and codes are a release's, its people nobody."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from pyarrow import parquet

from outcomes.release.columns import BOOLEAN, COLUMNS, INTEGER, NUMBER, TEXT, Column
from outcomes.release.frozen import REPAIRS
from outcomes.release.hierarchies import ATTRIBUTES
from outcomes.release.package.tables import arrow_table
from outcomes.timeline import CENSORED, COMPETING, FAILED

SEED = 1
ROWS_AT_ONCE = 100_000
# Repairs of a patient, and how many patients in a hundred have so many: 1.24 on average, as in the demo.
REPAIRS_OF_A_PATIENT = {1: 0.80, 2: 0.16, 3: 0.04}
LONGEST_DAYS = 3650
SHARE_ENTERED_LATE = 0.04
LATEST_ENTRY = 400
SHARE_NOT_RECORDED = 0.1
OUTCOMES = {FAILED: 0.2, CENSORED: 0.77, **dict.fromkeys(COMPETING, 0.01)}
_PSEUDONYM_BYTES = 16

Dice = np.random.Generator


def write(repairs: int, path: Path) -> None:
    """Write so many invented repairs as one Parquet file, the same in every run."""
    dice = np.random.default_rng(SEED)
    with parquet.ParquetWriter(path, arrow_table(REPAIRS, invented(0, dice)).schema) as into:
        for begun in range(0, repairs, ROWS_AT_ONCE):
            rows = invented(min(ROWS_AT_ONCE, repairs - begun), dice)
            into.write_table(arrow_table(REPAIRS, rows))


def invented(rows: int, dice: Dice) -> pd.DataFrame:
    """So many rows with every column of the codebook."""
    table = {column.name: _values(column, rows, dice) for column in COLUMNS[REPAIRS]}
    outcome = dice.choice(list(OUTCOMES), p=list(OUTCOMES.values()), size=rows)
    late = dice.random(rows) < SHARE_ENTERED_LATE
    table |= {
        "patient": _patients(rows, dice),
        "outcome": outcome,
        "failed": (outcome == FAILED).astype(np.int64),
        "days": dice.integers(0, LONGEST_DAYS + 1, size=rows),
        "at_risk_from": np.where(late, dice.integers(1, LATEST_ENTRY, size=rows), 0),
    }
    return pd.DataFrame(table)


def _patients(rows: int, dice: Dice) -> Any:
    """A patient for each row, in any order."""
    times = dice.choice(list(REPAIRS_OF_A_PATIENT), p=list(REPAIRS_OF_A_PATIENT.values()), size=rows)
    of_row = np.repeat(np.arange(rows), times)[:rows]
    dice.shuffle(of_row)
    return _pseudonyms(rows, dice)[of_row]


def _pseudonyms(rows: int, dice: Dice) -> Any:
    drawn = (dice.bytes(_PSEUDONYM_BYTES) for _ in range(rows))
    return np.array([base64.b32encode(each).decode().rstrip("=").lower() for each in drawn], dtype=object)


def _values(column: Column, rows: int, dice: Dice) -> Any:
    if column.type in (INTEGER, NUMBER, BOOLEAN):
        return _numbers(column, rows, dice)
    if column.type == TEXT:
        empty = column.name in ("revises", "unit", "surgeon")
        return np.full(rows, "", dtype=object) if empty else _pseudonyms(rows, dice)
    # Each code half as frequent as the one before, not recorded the last.
    codes = [*_codes(column), column.missing]
    drawn = np.minimum(dice.geometric(0.5, size=rows), len(codes)) - 1
    return np.array(codes, dtype=object)[drawn]


def _codes(column: Column) -> tuple[str, ...]:
    """Codes that stand beside each other: of an attribute those of its finest step alone."""
    finest = ATTRIBUTES[column.name].finest if column.name in ATTRIBUTES else None
    return tuple(finest or column.allowed)


def _numbers(column: Column, rows: int, dice: Dice) -> Any:
    if column.type == NUMBER:
        return 100 * dice.random(rows)
    most, dtype = (2, "boolean") if column.type == BOOLEAN else (60, "Int64")
    drawn = pd.Series(dice.integers(len(column.allowed) or most, size=rows)).astype(dtype)  # type: ignore[call-overload]
    return drawn.mask(pd.Series(dice.random(rows) < SHARE_NOT_RECORDED))
