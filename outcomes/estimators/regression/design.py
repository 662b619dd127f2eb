"""From a table to the numbers of a regression: rows checked and complete, text turned into indicators."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.estimators.observations import FloatArray, IntArray, Observations, coded, observations
from outcomes.estimators.regression.efron import RiskRows

Table = pd.DataFrame | Mapping[str, ArrayLike]


@dataclass(frozen=True, slots=True)
class Columns:
    """The columns of a table that a regression reads."""

    duration: str
    event: str
    covariates: tuple[str, ...]
    cluster: str | None
    strata: str | None
    entry: str | None
    weights: str | None

    def all(self) -> list[str]:
        optional = (self.cluster, self.strata, self.entry, self.weights)
        return list(dict.fromkeys([self.duration, self.event, *self.covariates, *filter(None, optional)]))


@dataclass(frozen=True, slots=True)
class Design:
    """Coefficients by name, their columns of shape (rows, coefficients), the levels they are held against."""

    names: tuple[str, ...]
    matrix: FloatArray
    reference_levels: dict[str, str]


@dataclass(frozen=True, slots=True)
class Data:
    """Complete rows as the likelihood takes them, and what names them; `cluster` numbers the clusters."""

    rows: RiskRows
    design: Design
    cluster: IntArray | None
    left_out: int

    @property
    def events(self) -> int:
        return int(self.rows.failed.sum())

    @property
    def clusters(self) -> int | None:
        return None if self.cluster is None else int(np.unique(self.cluster).size)


def read(table: Table, columns: Columns, references: Mapping[str, str]) -> Data:
    """Check the columns, leave out rows that miss a covariate, write out weights, code the covariates.

    Raises
    ------
    ValueError
        Naming the column, the row counted from 0, and the rule broken.
    """
    if not columns.covariates:
        raise ValueError("covariates is empty: name at least one column")
    frame = _frame(table, columns.all())
    rows = _observed(frame, columns)
    cluster, stratum = _codes(frame, columns.cluster), _codes(frame, columns.strata)
    complete = frame[list(columns.covariates)].notna().all(axis=1).to_numpy()
    kept = np.repeat(np.flatnonzero(complete), rows.weights[complete])
    if not kept.size:
        raise ValueError("no row has every covariate: leave out a covariate that is mostly missing")
    design = _design(frame.iloc[kept], columns.covariates, references)
    return Data(
        RiskRows(
            rows.time[kept], rows.failed[kept], rows.entry[kept], stratum[kept], _centred(design.matrix)
        ),
        design,
        None if columns.cluster is None else cluster[kept],
        int(rows.weights[~complete].sum()),
    )


def _centred(matrix: FloatArray) -> FloatArray:
    centred: FloatArray = matrix - matrix.mean(axis=0)
    return centred


def _frame(table: Table, columns: Sequence[str]) -> pd.DataFrame:
    frame = table if isinstance(table, pd.DataFrame) else pd.DataFrame(dict(table))
    for column in columns:
        if column not in frame.columns:
            present = ", ".join(map(str, frame.columns))
            raise ValueError(f"column {column} is not in the table: name one of {present}")
    return frame.loc[:, list(columns)].reset_index(drop=True)


def _observed(frame: pd.DataFrame, columns: Columns) -> Observations:
    weights = None if columns.weights is None else frame[columns.weights]
    entry = None if columns.entry is None else frame[columns.entry]
    return observations(frame[columns.duration], frame[columns.event], weights, entry)


def _codes(frame: pd.DataFrame, column: str | None) -> IntArray:
    """Number the distinct values of a column; all alike without one."""
    if column is None:
        return np.zeros(len(frame), dtype=np.int64)
    return coded(column, frame[column], len(frame))[0]


def _design(frame: pd.DataFrame, covariates: Sequence[str], references: Mapping[str, str]) -> Design:
    _check_references(frame, covariates, references)
    by_name: dict[str, FloatArray] = {}
    levels: dict[str, str] = {}
    for covariate in covariates:
        column = frame[covariate]
        if column.nunique() < 2:
            raise ValueError(
                f"covariate {covariate} is {column.iloc[0]} in every row: it explains nothing; leave it out"
            )
        if pd.api.types.is_numeric_dtype(column):
            by_name[covariate] = _numbers(covariate, column)
        else:
            levels[covariate], indicators = _indicators(covariate, column.astype(str), references)
            by_name |= indicators
    return Design(tuple(by_name), np.column_stack(list(by_name.values())), levels)


def _check_references(frame: pd.DataFrame, covariates: Sequence[str], references: Mapping[str, str]) -> None:
    for covariate in references:
        if covariate not in covariates or pd.api.types.is_numeric_dtype(frame[covariate]):
            raise ValueError(
                f"references names {covariate}: it must be a text covariate, as only text has levels; drop it"
            )


def _numbers(covariate: str, column: pd.Series) -> FloatArray:
    values = column.to_numpy(dtype=np.float64)
    wrong = np.flatnonzero(~np.isfinite(values))
    if wrong.size:
        row = column.index[wrong[0]]
        raise ValueError(f"{covariate}[{row}] is {values[wrong[0]]}: a covariate must be finite; correct it")
    return values


def _indicators(
    covariate: str, column: pd.Series, references: Mapping[str, str]
) -> tuple[str, dict[str, FloatArray]]:
    levels = sorted(column.unique())
    first = references.get(covariate, levels[0])
    if first not in levels:
        raise ValueError(
            f"references gives {covariate} the level {first}: it must be one of {', '.join(levels)}"
        )
    others = [level for level in levels if level != first]
    return first, {f"{covariate}[{level}]": (column == level).to_numpy(np.float64) for level in others}
