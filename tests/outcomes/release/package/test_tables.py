"""CSV, Parquet and Stata say the same, with what was not recorded missing in each."""

import zipfile
from dataclasses import replace

import pandas as pd
import pyarrow.parquet
import pytest
from pandas.testing import assert_frame_equal

from outcomes.release import package
from outcomes.release.columns import BOOLEAN, COLUMNS, INTEGER, NUMBER
from outcomes.release.frozen import LOOKS, REOPERATIONS, REPAIRS, TABLES
from tests.outcomes.release.frozen_example import frozen_example
from tests.outcomes.release.package.conftest import silently

pytestmark = pytest.mark.any_engine

READ_AS = {INTEGER: "Int64", NUMBER: "float64", BOOLEAN: "boolean"}


def types(table):
    return {column.name: READ_AS.get(column.type, "object") for column in COLUMNS[table]}


def from_csv(folder, table):
    """As text first: "true" of a column of yes and no is then read by hand."""
    text = pd.read_csv(folder / f"{table}.csv", dtype=str, keep_default_na=False)
    for name, kind in types(table).items():
        if kind == "boolean":
            text[name] = text[name].map({"true": True, "false": False}).astype(kind)
        elif kind != "object":
            # Not by pandas, whose quick way may miss the last digit.
            text[name] = pd.array([float(said) if said else None for said in text[name]], "Float64").astype(
                kind
            )
    return text


def expected(table):
    return frozen_example().tables[table].astype(types(table)).reset_index(drop=True)


@pytest.mark.parametrize("table", TABLES)
def test_csv_and_parquet_give_back_every_value(unpacked, table):
    parquet = pyarrow.parquet.read_table(unpacked / f"{table}.parquet").to_pandas().astype(types(table))
    assert_frame_equal(from_csv(unpacked, table), expected(table), check_exact=True)
    assert_frame_equal(parquet, expected(table), check_exact=True)
    assert list(parquet.columns) == [column.name for column in COLUMNS[table]]


@pytest.mark.parametrize("table", TABLES)
def test_stata_gives_back_every_value(unpacked, table):
    """Yes and no are 1 and 0 there, and what was not recorded is Stata's missing value."""
    with pd.io.stata.StataReader(unpacked / f"{table}.dta") as file:
        read, labels, when = file.read(), file.variable_labels(), file.time_stamp
    wanted = expected(table).rename(columns={"class": "class_"})
    numbers = [name for name in wanted if wanted[name].dtype != object]
    wanted = wanted.astype(dict.fromkeys(numbers, "Float64")).astype(dict.fromkeys(numbers, "float64"))
    assert_frame_equal(read, wanted, check_dtype=False, check_exact=True)
    assert when == "01 Jan 1980 00:00"
    assert labels["days"] == next(column.label for column in COLUMNS[table] if column.name == "days")[:80]


def test_the_example_has_something_missing_in_every_kind_of_column():
    """Else the tests above would hold nothing to account."""
    repairs = expected(REPAIRS)
    assert repairs["length_mm"].isna().any()
    assert repairs["rasped"].isna().any()
    assert repairs["revises"].eq("").any()
    assert repairs["revises"].ne("").any()
    assert repairs["at_risk_from"].gt(0).any()
    assert repairs["days"].eq(0).any()
    assert expected(REOPERATIONS)["repair"].eq("").any()
    assert expected(LOOKS)["class"].eq("unknown").any()


def test_a_table_without_rows_still_has_its_columns_and_types(tmp_path):
    example = frozen_example()
    empty = {name: example.tables[name].iloc[:0] for name in TABLES if name != REPAIRS}
    package.build(replace(example, tables=example.tables | empty), tmp_path / "a.zip", silently)
    zipfile.ZipFile(tmp_path / "a.zip").extractall(tmp_path)
    for table in empty:
        schema = pyarrow.parquet.read_schema(tmp_path / f"{table}.parquet")
        full = expected(table)
        assert schema.names == list(full.columns)
        assert str(schema.field("days").type) == "int64"
        assert from_csv(tmp_path, table).empty
        assert len(pd.read_stata(tmp_path / f"{table}.dta")) == 0


def test_a_text_that_would_need_quotes_is_refused(tmp_path):
    example = frozen_example()
    looks = example.tables[LOOKS].assign(reason='pain, "again"')
    with pytest.raises(ValueError, match="structural characters"):
        package.build(replace(example, tables=example.tables | {LOOKS: looks}), tmp_path / "a.zip", silently)
