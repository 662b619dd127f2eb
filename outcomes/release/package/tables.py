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
    with archive.member(f"{name}.csv") as into:
        _write_csv(name, frame, into)
    # Parquet is packed by itself.
    with archive.member(f"{name}.parquet", deflated=False) as into:
        _write_parquet(name, frame, into)
    if stata:
        with archive.member(f"{name}.dta") as into:
            _write_stata(name, frame, into)


def arrow_table(name: str, frame: pd.DataFrame) -> pa.Table:
    """The table with the types of the codebook; what is missing is null, or the code for it."""
    table = pa.Table.from_pandas(frame, _schema(name), preserve_index=False)
    return table.replace_schema_metadata(None)


def _schema(name: str) -> pa.Schema:
    return pa.schema(
        [pa.field(column.name, _ARROW.get(column.type, pa.string())) for column in COLUMNS[name]]
    )


def _groups(name: str, frame: pd.DataFrame) -> Iterator[pa.Table]:
    """The table a group of rows at a time, so that no more of it is held in a second form."""
    for first in range(0, max(len(frame), 1), _GROUP):
        yield arrow_table(name, frame.iloc[first : first + _GROUP])


def _check(name: str, frame: pd.DataFrame) -> None:
    known = [column.name for column in COLUMNS[name]]
    strangers = [f"{column} too many" for column in frame.columns if column not in known]
    lacking = [f"{column} missing" for column in known if column not in frame]
    if strangers or lacking:
        raise UnknownColumnError(
            f"{name}: its columns are not those of the codebook: {', '.join(strangers + lacking)}. Nothing "
            "else may leave; mend the reading or the codebook."
        )


def _write_csv(name: str, frame: pd.DataFrame, into: IO[bytes]) -> None:
    into.write((",".join(_schema(name).names) + "\n").encode())
    # Codes and pseudonyms never need quotes; text that does is refused here, since nobody expects any.
    options = csv.WriteOptions(include_header=False, quoting_style="none", eol="\n")
    for group in _groups(name, frame):
        csv.write_csv(group, into, options)


def _write_parquet(name: str, frame: pd.DataFrame, into: IO[bytes]) -> None:
    writing = parquet.ParquetWriter(
        into, _schema(name), version="2.6", data_page_version="1.0", compression="snappy"
    )
    with writing as writer:
        for group in _groups(name, frame):
            writer.write_table(group, _GROUP)


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
