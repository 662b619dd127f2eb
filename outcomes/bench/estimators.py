"""Curves and log-rank tests of three strata: from counts, against lifelines and R on the rows themselves.

Counting stands in for the database's GROUP BY. All start from rows in memory: fetching every row out of the
database, which only the other ways need, is not timed at all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from math import prod
from statistics import median
from time import perf_counter
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.bench.in_r import FromR, from_r
from outcomes.bench.memory import peak_bytes
from outcomes.estimators.comparison import LogRank, log_rank
from outcomes.estimators.survival import SurvivalCurve, kaplan_meier

if TYPE_CHECKING:
    from lifelines import KaplanMeierFitter
    from lifelines.statistics import StatisticalResult

FloatArray = NDArray[np.float64]
Made = TypeVar("Made")
LevelOfStratum = tuple[str, str]

STRATA = {
    "zone": ("red-red", "red-white", "white-white"),
    "acuity": ("acute", "chronic"),
    "ligament": ("intact", "reconstructed", "torn"),
}
SEED = 1
# Ten years of follow-up, in days.
LONGEST_DAYS = 3650
# How many levels, days and outcomes a repair can have: the shape of the table of counts.
SHAPE = (*(len(levels) for levels in STRATA.values()), LONGEST_DAYS + 1, 2)
TOLERANCE = 1e-9
# Of so many turns the median counts, ours and R's; lifelines takes too long for more than one.
REPEATS = 3
LEAST_TIMES_R = 10


@dataclass(frozen=True, slots=True)
class FromCounts:
    """What the project's estimators found: a curve of each level, a test of each stratum."""

    curves: dict[LevelOfStratum, SurvivalCurve]
    tests: dict[str, LogRank | None]


@dataclass(frozen=True, slots=True)
class FromRows:
    """The same as lifelines found it on the rows."""

    curves: dict[LevelOfStratum, KaplanMeierFitter]
    tests: dict[str, StatisticalResult]


@dataclass(frozen=True, slots=True)
class Bench:
    """Times of each way in seconds, memory in bytes, largest relative difference of their values.

    `ratio` is to lifelines, `ratio_to_r` to R; what is of R is None where R, or its survival package, is not.
    """

    rows: int
    count_rows: int
    counting_seconds: float
    estimating_seconds: float
    from_counts_seconds: float
    from_rows_seconds: float
    ratio: float
    peak_memory_from_counts_bytes: int
    peak_memory_bytes: int
    values_compared: int
    largest_difference: float
    r_version: str | None
    from_rows_in_r_seconds: float | None
    ratio_to_r: float | None
    agree: bool


def run(rows: int, say: Callable[[str], None]) -> Bench:
    """Time each way on the same invented repairs; `say` is told each step."""
    say(f"Inventing {rows:,} repairs.")
    repairs = invented_repairs(rows)
    say("Counting them by strata, day and outcome, as the database does for the pages.")
    counts, counting = _median_of(lambda: count(repairs))
    say(f"Estimating curves and tests of {len(STRATA)} strata from {len(counts):,} counts.")
    ours, estimating = _median_of(lambda: from_counts(counts))
    ours_memory = peak_bytes()
    say(f"That took {counting + estimating:.2f} s; now the same from the rows by lifelines.")
    theirs, from_rows_seconds = _timed(lambda: from_rows(repairs))
    say("Comparing every survival, limit, statistic and P value.")
    differences = np.concatenate(list(_differences(ours, *_of_lifelines(theirs))))
    say("Now R on the same rows, by its own clock, and comparing its values.")
    in_r = from_r(repairs, STRATA, REPEATS)
    if in_r is None:
        say("R with its survival package is not installed here: left out.")
    else:
        differences = np.append(differences, np.concatenate([*_differences(ours, in_r.curves, in_r.tests)]))
    largest = float(differences.max())
    return Bench(
        rows=rows,
        count_rows=len(counts),
        counting_seconds=counting,
        estimating_seconds=estimating,
        from_counts_seconds=counting + estimating,
        from_rows_seconds=from_rows_seconds,
        ratio=from_rows_seconds / (counting + estimating),
        peak_memory_from_counts_bytes=ours_memory,
        peak_memory_bytes=peak_bytes(),
        values_compared=differences.size,
        largest_difference=largest,
        **_of_r(in_r, counting + estimating),
        agree=largest <= TOLERANCE,
    )


def _of_r(found: FromR | None, ours_seconds: float) -> dict[str, Any]:
    return {
        "r_version": found and found.version,
        "from_rows_in_r_seconds": found and found.seconds,
        "ratio_to_r": found and found.seconds / ours_seconds,
    }


def _median_of(make: Callable[[], Made]) -> tuple[Made, float]:
    """Make it REPEATS times; the last made, and the median of the seconds."""
    turns = [_timed(make) for _ in range(REPEATS)]
    return turns[-1][0], median(seconds for _, seconds in turns)


def _timed(make: Callable[[], Made]) -> tuple[Made, float]:
    begun = perf_counter()
    made = make()
    return made, perf_counter() - begun


def invented_repairs(rows: int) -> pd.DataFrame:
    """Invented repairs: a level of each stratum, the last day followed, and whether it ended in failure."""
    dice = np.random.default_rng(SEED)
    table = pd.DataFrame(
        {
            stratum: pd.Categorical.from_codes(dice.integers(len(levels), size=rows), pd.Index(levels))
            for stratum, levels in STRATA.items()
        }
    )
    # Slightly different hazards, so that tests find something and P values stay above the smallest float.
    hazard = 1e-4 * (1 + 0.02 * table["zone"].cat.codes + 0.01 * table["acuity"].cat.codes)
    failing = np.ceil(dice.exponential(1 / hazard))
    leaving = dice.integers(1, LONGEST_DAYS + 1, size=rows)
    return table.assign(day=np.minimum(failing, leaving).astype(np.int64), failed=failing <= leaving)


def count(repairs: pd.DataFrame) -> pd.DataFrame:
    """The count table: one row for each combination of strata, day and outcome that occurs, with its n."""
    levels = [repairs[stratum].cat.codes.to_numpy() for stratum in STRATA]
    cell = np.ravel_multi_index(
        (*levels, repairs["day"].to_numpy(), repairs["failed"].to_numpy(np.int8)), SHAPE
    )
    repairs_of_cell = np.bincount(cell, minlength=prod(SHAPE))
    occurring = np.flatnonzero(repairs_of_cell)
    *codes, day, failed = np.unravel_index(occurring, SHAPE)
    strata = {
        stratum: pd.Categorical.from_codes(code, pd.Index(names))
        for code, (stratum, names) in zip(codes, STRATA.items(), strict=True)
    }
    return pd.DataFrame({**strata, "day": day, "failed": failed == 1, "n": repairs_of_cell[occurring]})


def from_counts(counts: pd.DataFrame) -> FromCounts:
    """Curves and tests by the project's estimators, each stratum from counts added up over the others."""
    curves, tests = {}, {}
    for stratum in STRATA:
        table = counts.groupby([stratum, "day", "failed"], observed=True)["n"].sum().reset_index()
        for level, part in table.groupby(stratum, observed=True):
            curves[stratum, str(level)] = kaplan_meier(part["day"], part["failed"], part["n"])
        tests[stratum] = log_rank(table["day"], table["failed"], table[stratum], table["n"])
    return FromCounts(curves, tests)


def from_rows(repairs: pd.DataFrame) -> FromRows:
    """The same by lifelines alone, one row a repair."""
    from lifelines import KaplanMeierFitter  # absent where nothing is developed or timed
    from lifelines.statistics import multivariate_logrank_test

    curves, tests = {}, {}
    # lifelines silences numpy's warnings for the whole process; the context gives them back.
    with np.errstate(divide="ignore", invalid="ignore"):
        for stratum in STRATA:
            for level, part in repairs.groupby(stratum, observed=True):
                curves[stratum, str(level)] = KaplanMeierFitter().fit(part["day"], part["failed"])
            tests[stratum] = multivariate_logrank_test(repairs["day"], repairs[stratum], repairs["failed"])
    return FromRows(curves, tests)


def _of_lifelines(
    found: FromRows,
) -> tuple[dict[LevelOfStratum, pd.DataFrame], dict[str, tuple[float, float]]]:
    return (
        {key: _steps_of_lifelines(fitter) for key, fitter in found.curves.items()},
        {stratum: (test.test_statistic, test.p_value) for stratum, test in found.tests.items()},
    )


def _differences(
    ours: FromCounts,
    curves: Mapping[LevelOfStratum, pd.DataFrame],
    tests: Mapping[str, tuple[float, float]],
) -> Iterator[FloatArray]:
    """Relative differences; limits only where ours are defined (see survival.kaplan_meier on R)."""
    for key, his in curves.items():
        mine = _steps(ours.curves[key])
        if not np.array_equal(mine.index, his.index):
            raise ValueError(f"The two ways step at different days for {key}.")
        defined = mine.notna().to_numpy()
        yield _relative(mine.to_numpy()[defined], his.to_numpy()[defined])
    for stratum, test in tests.items():
        own = ours.tests[stratum]
        if own is None:
            raise ValueError(f"From counts there is nothing to test for {stratum}; invent more repairs.")
        yield _relative(np.array([own.statistic, own.p]), np.array(test))


def _steps(curve: SurvivalCurve) -> pd.DataFrame:
    limits = {"lower": curve.lower, "upper": curve.upper}
    return pd.DataFrame({"survival": curve.survival, **limits}, index=curve.time, dtype=np.float64)


def _steps_of_lifelines(fitter: KaplanMeierFitter) -> pd.DataFrame:
    parts: list[pd.DataFrame] = [fitter.survival_function_, fitter.confidence_interval_]
    steps = pd.concat(parts, axis="columns")
    steps.columns = pd.Index(["survival", "lower", "upper"])
    # It opens every curve with day 0, on which nobody was invented to leave.
    return steps.drop(index=0)


def _relative(ours: FloatArray, theirs: FloatArray) -> FloatArray:
    scale = np.where(theirs == 0, 1.0, np.abs(theirs))
    difference: FloatArray = np.abs(ours - theirs) / scale
    return difference
