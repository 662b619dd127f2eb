"""The tables as files: CSV, Parquet and, on request, Stata. Only what the codebook knows is written."""

import shutil
import tempfile
from collections.abc import Iterator
from datetime import datetime
from typing import IO, Any

import pandas as pd
import pyarrow as pa
from pyarrow import csv, parquet

from outcomes.release.columns import BOOLEAN, COLUMNS, INTEGER, NUMBER, Column
from outcomes.release.frozen import TABLES
from outcomes.release.package.archive import Archive

_ARROW = {INTEGER: pa.int64(), NUMBER: pa.float64(), BOOLEAN: pa.bool_()}
# Rows of one group, so that a reader need not hold a table whole.
_GROUP = 100_000
# Words that a variable of Stata may not have as its name.
_STATA_NAMES = {"class": "class_"}
_STATA_LABEL = 80
# Stata files carry a time; one that says nothing keeps packages equal.
_NO_TIME = datetime(1980, 1, 1)


class UnknownColumnError(ValueError):
    """A table has other columns than the codebook tells."""


def member_names(*, stata: bool) -> Iterator[str]:
    """The names of the members that tables become, in their order."""
    endings = ("csv", "parquet", *(("dta",) if stata else ()))
    return (f"{table}.{ending}" for table in TABLES for ending in endings)


def add_table(archive: Archive, name: str, frame: pd.DataFrame, *, stata: bool) -> None:
    """One table in each of its formats.

    Raises
    ------
    UnknownColumnError
        If it lacks a column of the codebook, or has another.
    """
    _check(name, frame)
    _add_open(archive, name, arrow_table(name, frame))
    if stata:
        with archive.member(f"{name}.dta") as into:
            _write_stata(name, frame, into)


def _add_open(archive: Archive, name: str, table: pa.Table) -> None:
    """Released before the Stata file is written, so that a large table is never held in three forms."""
    with archive.member(f"{name}.csv") as into:
        _write_csv(table, into)
    # Parquet is packed by itself.
    with archive.member(f"{name}.parquet", deflated=False) as into:
        _write_parquet(table, into)


def arrow_table(name: str, frame: pd.DataFrame) -> pa.Table:
    """The table with the types of the codebook; what is missing is null, or the code for it."""
    fields = [pa.field(column.name, _ARROW.get(column.type, pa.string())) for column in COLUMNS[name]]
    table = pa.Table.from_pandas(frame, pa.schema(fields), preserve_index=False)
    return table.replace_schema_metadata(None)


def _check(name: str, frame: pd.DataFrame) -> None:
    known = [column.name for column in COLUMNS[name]]
    strangers = [f"{column} too many" for column in frame.columns if column not in known]
    lacking = [f"{column} missing" for column in known if column not in frame]
    if strangers or lacking:
        raise UnknownColumnError(
            f"{name}: its columns are not those of the codebook: {', '.join(strangers + lacking)}. Nothing "
            "else may leave; mend the reading or the codebook."
        )


def _write_csv(table: pa.Table, into: IO[bytes]) -> None:
    into.write((",".join(table.column_names) + "\n").encode())
    # Codes and pseudonyms never need quotes; text that does is refused here, since nobody expects any.
    csv.write_csv(table, into, csv.WriteOptions(include_header=False, quoting_style="none", eol="\n"))


def _write_parquet(table: pa.Table, into: IO[bytes]) -> None:
    parquet.write_table(
        table, into, row_group_size=_GROUP, version="2.6", data_page_version="1.0", compression="snappy"
    )


def _write_stata(name: str, frame: pd.DataFrame, into: IO[bytes]) -> None:
    """By way of a file, since the format wants to go back and forth."""
    columns = COLUMNS[name]
    named = {column.name: _STATA_NAMES.get(column.name, column.name) for column in columns}
    told = frame.assign(**{column.name: _for_stata(frame[column.name], column) for column in columns})
    with tempfile.TemporaryFile() as file:
        told[list(named)].rename(columns=named).to_stata(
            file,
            write_index=False,
            time_stamp=_NO_TIME,
            data_label=name,
            variable_labels={named[column.name]: column.label[:_STATA_LABEL] for column in columns},
            version=118,
        )
        file.seek(0)
        shutil.copyfileobj(file, into)


def _for_stata(values: "pd.Series[Any]", column: Column) -> "pd.Series[Any]":
    """Numbers as doubles, of which Stata knows missing ones; yes and no as 1 and 0; all else as text."""
    if column.type in _ARROW:
        return values.astype("Float64").astype("float64")
    return values.astype(object).where(values.notna(), "")
