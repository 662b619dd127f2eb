"""One SQL text over Parquet files by several engines, and what they count added up; no Django.

DuckDB and Dask are there for development, Spark where it was asked for. Workers in processes of their own
import this module, so nothing that wants Django may be imported here.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter

import duckdb
import pandas as pd
import psutil
import pyarrow as pa

from outcomes.bench.memory import peak_bytes

# What the rows of a count table are told apart by, in its order. Beside them there is only N.
STRATA = ("zone", "acuity", "ligament")
BY = (*STRATA, "entry", "patient", "day", "outcome")
N = "n"
_NUMBERS = ("entry", "day", N)
_HERE = "127.0.0.1"


@dataclass(frozen=True, slots=True)
class Count:
    """A count table, the seconds of the question, and what it took beside.

    `start_seconds` until the engine could be asked; `others_peak_bytes` the peak memory of its other
    processes together; `rows_told` rows of counts that left the parts.
    """

    table: pa.Table
    seconds: float
    start_seconds: float = 0.0
    others_peak_bytes: int = 0
    rows_told: int = 0


def part(table: Path, into: Path, parts: int) -> list[Path]:
    """Part a Parquet file by a hash of the patient, so that all repairs of a patient lie in one part."""
    with duckdb.connect() as session:
        # One writer, so one file a part.
        session.execute("SET threads = 1")
        rows = session.read_parquet(str(table)).project(f"*, hash(patient) % {int(parts)} AS part")
        rows.write_parquet(str(into), partition_by=["part"])
    return files_of(into)


def files_of(folder: Path) -> list[Path]:
    """The files of a parted table; a part in which nobody lies has none."""
    return sorted(folder.glob("part=*/*.parquet"))


def counted(sql: str, files: Sequence[Path], threads: int | None = None) -> pa.Table:
    """The count table of the rows of these files together, by DuckDB."""
    with duckdb.connect(config={"threads": threads} if threads else {}) as session:
        session.read_parquet([str(file) for file in files]).create_view("repairs")
        return _typed(session.sql(sql).to_arrow_table())


def added_up(tables: Sequence[pa.Table]) -> pa.Table:
    """The count table of all parts: rows alike in all but n become one."""
    by, order = ", ".join(BY), ", ".join(f"{name} NULLS FIRST" for name in BY)
    with duckdb.connect() as session:
        told = session.from_arrow(pa.concat_tables(tables))
        return _typed(told.aggregate(f"{by}, SUM({N}) AS {N}", by).order(order).to_arrow_table())


def by_duckdb(sql: str, files: Sequence[Path]) -> Count:
    """All files at once, in this process."""
    return Count(*_timed(lambda: counted(sql, files)))


def by_dask(sql: str, files: Sequence[Path], workers: int) -> Count:
    """DuckDB on so many processes of Dask, one part at a time each; only counts come back."""
    from distributed import Client, LocalCluster

    # It tells of every step otherwise.
    logging.getLogger("distributed").setLevel(logging.ERROR)
    begun = perf_counter()
    with (
        LocalCluster(  # type: ignore[no-untyped-call]  # Dask has hardly any types
            workers, threads_per_worker=1, host=_HERE, dashboard_address=None
        ) as cluster,
        Client(cluster) as client,  # type: ignore[no-untyped-call]
    ):
        client.run(peak_bytes)
        started = perf_counter()
        told = client.gather(client.map(_of_part, files, sql=sql))
        table = added_up(told)
        ended = perf_counter()
        peaks = client.run(peak_bytes).values()
    return Count(table, ended - started, started - begun, sum(peaks), sum(map(len, told)))


def _of_part(file: Path, sql: str) -> pa.Table:
    return counted(sql, [file], threads=1)


def by_spark(sql: str, folder: Path, workers: int) -> Count:
    """The same text by Spark over the folder of parts; it sends rows between workers as it sees fit."""
    os.environ.setdefault("SPARK_LOCAL_IP", _HERE)
    from pyspark.sql import SparkSession

    begun = perf_counter()
    settings = {
        "spark.ui.enabled": "false",
        "spark.ui.showConsoleProgress": "false",
        "spark.driver.host": _HERE,
        "spark.sql.shuffle.partitions": str(workers),
    }
    session = SparkSession.builder.master(f"local[{workers}]").config(map=settings).getOrCreate()
    try:
        session.sparkContext.setLogLevel("ERROR")
        session.read.parquet(str(folder)).createOrReplaceTempView("repairs")
        started = perf_counter()
        table = _typed(session.sql(sql).toArrow())
        ended = perf_counter()
        peak = _peak_of_children()
    finally:
        session.stop()
    return Count(table, ended - started, started - begun, peak)


def by_pandas(files: Sequence[Path]) -> Count:
    """The same counts without SQL: what the engines are held to."""
    return Count(*_timed(lambda: _grouped(files)))


def _grouped(files: Sequence[Path]) -> pa.Table:
    columns = [*STRATA, "at_risk_from", "patient", "days", "outcome"]
    rows = pd.concat(pd.read_parquet(file, columns=columns) for file in files)
    rows = rows.rename(columns={"at_risk_from": "entry", "days": "day"})
    times = rows.groupby("patient")["day"].transform("size")
    rows["patient"] = rows["patient"].where(times > 1, None)
    counts = rows.groupby(list(BY), dropna=False).size().rename(N).reset_index()
    ordered = counts.sort_values(list(BY), na_position="first", ignore_index=True)
    return _typed(pa.Table.from_pandas(ordered, preserve_index=False))


def _peak_of_children() -> int:
    """The most memory that the processes begun by this one held, in bytes; 0 where nothing tells."""
    peaks = (Path(f"/proc/{child.pid}/status") for child in psutil.Process().children(recursive=True))
    lines = (line for file in peaks if file.exists() for line in file.read_text().splitlines())
    return sum(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM"))


def _timed(count: Callable[[], pa.Table]) -> tuple[pa.Table, float]:
    begun = perf_counter()
    return count(), perf_counter() - begun


def _typed(table: pa.Table) -> pa.Table:
    """Text as text and numbers as whole numbers of 64 bits, whichever engine told them."""
    fields = [pa.field(name, pa.int64() if name in _NUMBERS else pa.string()) for name in (*BY, N)]
    return table.select([*BY, N]).cast(pa.schema(fields)).replace_schema_metadata(None).combine_chunks()
