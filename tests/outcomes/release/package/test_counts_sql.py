"""counts.sql of the package: one text by several engines, whole and in parts, counts the rows."""

import csv
import json
import shutil
from collections import Counter
from importlib.util import find_spec

import numpy as np
import pandas as pd
import pyarrow.parquet
import pytest

from outcomes.bench import counting_engines as engines
from outcomes.bench import partitions, released_rows
from outcomes.estimators.survival import kaplan_meier
from outcomes.release.columns import names
from outcomes.release.frozen import REPAIRS
from outcomes.survival import columns_of

pytestmark = pytest.mark.any_engine
PARTS = 16
WORKERS = 2


@pytest.fixture(scope="module")
def sql(unpacked):
    return (unpacked / partitions.SQL).read_text()


@pytest.fixture(scope="module")
def parted(unpacked, tmp_path_factory):
    folder = tmp_path_factory.mktemp("parted") / "parts"
    engines.part(unpacked / "repairs.parquet", folder, PARTS)
    return folder


@pytest.fixture(scope="module")
def whole(unpacked, sql):
    return engines.by_duckdb(sql, [unpacked / "repairs.parquet"]).table


def counted_by_hand(file):
    """A plain count of the rows of repairs.csv, and of the order in which the table lists them."""
    with file.open() as lines:
        rows = list(csv.DictReader(lines))
    repairs_of = Counter(row["patient"] for row in rows)
    cells = Counter(
        (
            *(row[stratum] for stratum in engines.STRATA),
            int(row["at_risk_from"]),
            row["patient"] if repairs_of[row["patient"]] > 1 else None,
            int(row["days"]),
            row["outcome"],
        )
        for row in rows
    )
    in_order = sorted(cells, key=lambda cell: ["" if each is None else each for each in cell])
    return [(*cell, cells[cell]) for cell in in_order]


def rows_of(table):
    return [tuple(row.values()) for row in table.to_pylist()]


def test_it_gives_the_counts_of_the_rows(unpacked, whole):
    rows = rows_of(whole)
    assert rows == counted_by_hand(unpacked / "repairs.csv")
    assert whole.column_names == [*engines.BY, engines.N]
    # Patients with several repairs are told apart, all others are not.
    assert len({row[4] for row in rows}) > 20
    assert max(row[-1] for row in rows) > 1


def test_what_it_is_held_to_without_sql_agrees(unpacked, whole):
    assert engines.by_pandas([unpacked / "repairs.parquet"]).table.equals(whole)


def test_parts_counted_by_processes_of_dask_add_up_to_it(sql, parted, whole):
    files = engines.files_of(parted)
    assert len(files) == PARTS
    found = engines.by_dask(sql, files, WORKERS)
    assert found.table.equals(whole)
    assert found.rows_told >= len(whole)


def test_a_patient_is_whole_in_one_part(parted):
    parts = [set(pd.read_parquet(file)["patient"]) for file in engines.files_of(parted)]
    assert sum(map(len, parts)) == len(set().union(*parts))


def test_parted_otherwise_days_still_count_but_patients_are_not_known(unpacked, sql, whole, tmp_path):
    """As the text says of itself: rows are dealt out one by one, as if nobody had two."""
    rows = pyarrow.parquet.read_table(unpacked / "repairs.parquet")
    files = [tmp_path / f"{number}.parquet" for number in range(3)]
    for number, file in enumerate(files):
        pyarrow.parquet.write_table(rows.take(list(range(number, len(rows), 3))), file)
    added = engines.added_up([engines.counted(sql, [file]) for file in files])
    by = [name for name in engines.BY if name != "patient"]
    n = [table.to_pandas().groupby(by)["n"].sum() for table in (added, whole)]
    pd.testing.assert_series_equal(*n)
    known = [set(table["patient"].to_pylist()) - {None} for table in (added, whole)]
    assert known[0] < known[1]


def test_survival_from_it_is_the_manifests(unpacked, whole):
    table = at_risk(whole)
    curve = kaplan_meier(**columns_of(table))
    said = json.loads((unpacked / "manifest.json").read_text())["survival"]
    for landmark in said:
        read = curve.at({1: 365, 2: 730, 5: 1826}[landmark["year"]])
        assert read.survival == pytest.approx(landmark["survival"], abs=1e-12)
        assert read.at_risk == landmark["at_risk"]


def test_intervals_from_it_are_those_of_the_rows_with_the_patient_as_cluster(unpacked, whole):
    rows = pd.read_csv(unpacked / "repairs.csv")
    rows = rows[~((rows["at_risk_from"] > 0) & (rows["at_risk_from"] >= rows["days"]))]
    entry, patient = rows["at_risk_from"].to_numpy(), rows["patient"].to_numpy()
    of_rows = kaplan_meier(rows["days"].to_numpy(), rows["failed"].to_numpy(), entry=entry, cluster=patient)
    from_counts = kaplan_meier(**columns_of(at_risk(whole)))
    for name in ("survival", "std_error", "lower", "upper"):
        ours, theirs = (np.array(getattr(each, name), dtype=float) for each in (from_counts, of_rows))
        np.testing.assert_allclose(ours, theirs, rtol=1e-9)


def at_risk(table):
    """The count table as the estimators take it, without repairs that were never at risk while known."""
    counts = table.to_pandas()
    counts["patient"] = counts["patient"].astype(object).where(counts["patient"].notna(), None)
    return counts[~((counts["entry"] > 0) & (counts["entry"] >= counts["day"]))].reset_index(drop=True)


def test_its_strata_are_columns_of_the_release(sql):
    assert set(engines.STRATA) < set(names(REPAIRS))
    assert all(f"repairs.{stratum}," in sql for stratum in engines.STRATA)


def test_invented_rows_are_the_same_in_every_run_and_shaped_as_released_ones(unpacked, tmp_path):
    for name in ("first", "again"):
        released_rows.write(300, tmp_path / name)
    first = pyarrow.parquet.read_table(tmp_path / "first")
    assert first.equals(pyarrow.parquet.read_table(tmp_path / "again"))
    assert first.schema.equals(pyarrow.parquet.read_schema(unpacked / "repairs.parquet"))
    repairs_of = Counter(Counter(first["patient"].to_pylist()).values())
    assert set(repairs_of) == {1, 2, 3}


@pytest.mark.slow
@pytest.mark.skipif(find_spec("pyspark") is None, reason="Spark is not installed: pip install '.[spark]'")
@pytest.mark.skipif(shutil.which("java") is None, reason="Java is not installed: Spark needs it")
@pytest.mark.filterwarnings("ignore")  # its own, of other Pythons and of sockets it leaves to the system
def test_spark_gives_it_from_the_same_text(sql, parted, whole):
    assert engines.by_spark(sql, parted, WORKERS).table.equals(whole)
