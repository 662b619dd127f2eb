"""The released count table past one machine: one SQL text by several engines, held to pandas row for row.

An invented table of repairs is written as a release would, and parted by patient. Each engine works in a
process of its own. Seconds are of the question alone; what it takes to start an engine stands beside them.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from pyarrow import parquet

from outcomes.bench import released_rows
from outcomes.bench.apart import Run, apart
from outcomes.bench.memory import MEBIBYTE
from outcomes.release.package import program
from registry.demo.processes import cores

SQL = "counts.sql"
CHECK, WHOLE, PARTED, SPARK = "pandas", "DuckDB", "DuckDB on Dask", "Spark"
# What comes with the extra 'dev', and with the extra 'spark'.
NEEDED, SPARK_NEEDS = ("duckdb", "distributed"), "pyspark"
_REPAIRS, _PARTS = "repairs.parquet", "parts"

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Way:
    """One engine: seconds of the question and to start, peak memory of all its processes in bytes.

    `ratio` is its seconds by those of DuckDB on all files at once; `agrees` whether its count table is that
    of pandas, row for row in the same order.
    """

    engine: str
    seconds: float
    start_seconds: float
    peak_bytes: int
    ratio: float
    agrees: bool


@dataclass(frozen=True, slots=True)
class Bench:
    """Engines beside each other: `rows_told` of counts left the parts, `count_rows` they add up to."""

    repairs: int
    partitions: int
    workers: int
    file_bytes: int
    count_rows: int
    rows_told: int
    ways: tuple[Way, ...]

    @property
    def agree(self) -> bool:
        """Whether every engine counted the same."""
        return all(way.agrees for way in self.ways)


def run(repairs: int, say: Say, *, partitions: int) -> Bench:
    """Invent so many repairs, part them, and count them by each engine that is installed.

    Raises
    ------
    ValueError
        If DuckDB or Dask is not installed, or there is no part.
    """
    if absent := [name for name in NEEDED if find_spec(name) is None]:
        raise ValueError(f"Not installed: {', '.join(absent)}. They come with the extra 'dev'.")
    if partitions < 1:
        raise ValueError(f"--partitions {partitions} is too few: give 1 or more.")
    workers = min(partitions, cores())
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        say(f"Inventing {repairs:,} released repairs, parted into {partitions} by patient.")
        apart(lambda: _made(repairs, partitions, folder))
        runs = {engine: _asked(engine, folder, workers, say) for engine in _installed(say)}
        return _compared(repairs, partitions, workers, folder, runs)


def _installed(say: Say) -> list[str]:
    if find_spec(SPARK_NEEDS) is not None:
        return [CHECK, WHOLE, PARTED, SPARK]
    say("Spark is left out: it comes with the extra 'spark' and needs Java.")
    return [CHECK, WHOLE, PARTED]


def _made(repairs: int, partitions: int, folder: Path) -> dict[str, float]:
    from outcomes.bench import counting_engines as engines

    released_rows.write(repairs, folder / _REPAIRS)
    engines.part(folder / _REPAIRS, folder / _PARTS, partitions)
    return {}


def _asked(engine: str, folder: Path, workers: int, say: Say) -> Run:
    say(f"Counting by {engine}.")
    return apart(lambda: _counted(engine, folder, workers))


def _counted(engine: str, folder: Path, workers: int) -> Mapping[str, float]:
    """Ask one engine, keep its table beside the parts, and tell the rest."""
    from outcomes.bench import counting_engines as engines

    sql, parts = program(SQL), folder / _PARTS
    files = engines.files_of(parts)
    ask: dict[str, Callable[[], engines.Count]] = {
        CHECK: lambda: engines.by_pandas(files),
        WHOLE: lambda: engines.by_duckdb(sql, files),
        PARTED: lambda: engines.by_dask(sql, files, workers),
        SPARK: lambda: engines.by_spark(sql, parts, workers),
    }
    found = ask[engine]()
    parquet.write_table(found.table, _table_of(engine, folder))
    return {
        "seconds": found.seconds,
        "start_seconds": found.start_seconds,
        "others_peak_bytes": found.others_peak_bytes,
        "rows_told": found.rows_told,
    }


def _table_of(engine: str, folder: Path) -> Path:
    return folder / f"counted by {engine}.parquet"


def _compared(repairs: int, partitions: int, workers: int, folder: Path, runs: Mapping[str, Run]) -> Bench:
    tables = {engine: parquet.read_table(_table_of(engine, folder)) for engine in runs}
    whole = runs[WHOLE].found["seconds"]
    ways = tuple(
        Way(
            engine=engine,
            seconds=done.found["seconds"],
            start_seconds=done.found["start_seconds"],
            peak_bytes=done.peak_bytes + int(done.found["others_peak_bytes"]),
            ratio=done.found["seconds"] / whole,
            agrees=tables[engine].equals(tables[CHECK]),
        )
        for engine, done in runs.items()
    )
    return Bench(
        repairs=repairs,
        partitions=partitions,
        workers=workers,
        file_bytes=(folder / _REPAIRS).stat().st_size,
        count_rows=len(tables[CHECK]),
        rows_told=int(runs[PARTED].found["rows_told"]),
        ways=ways,
    )


def text(found: Bench) -> str:
    """The figures as plain text."""
    head = (
        f"{found.repairs:,} invented repairs, {found.file_bytes / MEBIBYTE:,.0f} MiB of Parquet,"
        f" {found.partitions} parts, {found.workers} workers",
        f"{found.count_rows:,} rows of counts; {found.rows_told:,} told by the parts that were added up",
        f"{'':16}{'question':>10}{'start':>10}{'ratio':>8}{'peak memory':>14}  same as {CHECK}",
    )
    return "\n".join((*head, *map(_line, found.ways)))


def _line(way: Way) -> str:
    return (
        f"{way.engine:16}{way.seconds:8.2f} s{way.start_seconds:8.2f} s{way.ratio:8.2f}"
        f"{way.peak_bytes / MEBIBYTE:10,.0f} MiB  {'yes' if way.agrees else 'NO'}"
    )
