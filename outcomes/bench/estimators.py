"""Curves and log-rank tests of three strata: from counts, against lifelines on the rows themselves."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from time import perf_counter

import numpy as np
import pandas as pd
from lifelines import KaplanMeierFitter
from lifelines.statistics import multivariate_logrank_test
from numpy.typing import NDArray

from outcomes.estimators.comparison import log_rank
from outcomes.estimators.survival import SurvivalCurve, kaplan_meier

FloatArray = NDArray[np.float64]

STRATA = {
    "zone": ("red-red", "red-white", "white-white"),
    "acuity": ("acute", "chronic"),
    "ligament": ("intact", "reconstructed", "torn"),
}
SEED = 1
# Ten years of follow-up, in days.
LONGEST_DAYS = 3650
TOLERANCE = 1e-9
BYTES_OF_MAXRSS = 1 if sys.platform == "darwin" else 1024


@dataclass(frozen=True, slots=True)
class Found:
    """What one way found: survival and limits by stratum and level and day, statistic and P by stratum."""

    curves: dict[tuple[str, str], pd.DataFrame]
    tests: dict[str, tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Bench:
    """Times of the two ways in seconds, memory in bytes, largest relative difference of their values."""

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
    agree: bool


def invented_repairs(rows: int) -> pd.DataFrame:
    """Invented repairs: a level of each stratum, the last day followed, and whether it ended in failure."""
    dice = np.random.default_rng(SEED)
    table = pd.DataFrame(
        {
            stratum: pd.Categorical.from_codes(
                dice.integers(len(levels), size=rows).tolist(), pd.Index(levels)
            )
            for stratum, levels in STRATA.items()
        }
    )
    # Slightly different hazards, so that tests find something and P values stay above the smallest float.
    hazard = 1e-4 * (1 + 0.02 * table["zone"].cat.codes + 0.01 * table["acuity"].cat.codes)
    failing = np.ceil(dice.exponential(1 / hazard))
    leaving = dice.integers(1, LONGEST_DAYS + 1, size=rows)
    return table.assign(day=np.minimum(failing, leaving).astype(np.int64), failed=failing <= leaving)


def run(rows: int, say: Callable[[str], None]) -> Bench:
    """Time both ways on the same invented repairs; `say` is told each step."""
    say(f"Inventing {rows:,} repairs.")
    repairs = invented_repairs(rows)
    say("Counting them by strata, day and outcome, as the database does for the pages.")
    begun = perf_counter()
    counts = count(repairs)
    counted = perf_counter()
    say(f"Estimating curves and tests of {len(STRATA)} strata from {len(counts):,} counts.")
    ours = from_counts(counts)
    counting, estimating = counted - begun, perf_counter() - counted
    ours_memory = peak_memory()
    say(f"The same from the rows by lifelines; from counts it took {counting + estimating:.2f} s.")
    begun = perf_counter()
    theirs = from_rows(repairs)
    lifelines_seconds = perf_counter() - begun
    say("Comparing every survival, limit, statistic and P value.")
    differences = np.concatenate(list(_differences(ours, theirs)))
    largest = float(differences.max())
    return Bench(
        rows=rows,
        count_rows=len(counts),
        counting_seconds=counting,
        estimating_seconds=estimating,
        from_counts_seconds=counting + estimating,
        from_rows_seconds=lifelines_seconds,
        ratio=lifelines_seconds / (counting + estimating),
        peak_memory_from_counts_bytes=ours_memory,
        peak_memory_bytes=peak_memory(),
        values_compared=differences.size,
        largest_difference=largest,
        agree=largest <= TOLERANCE,
    )


def count(repairs: pd.DataFrame) -> pd.DataFrame:
    """The count table: one row for each combination of strata, day and outcome that occurs, with its n."""
    by = [*STRATA, "day", "failed"]
    return repairs.groupby(by, observed=True, sort=False).size().reset_index(name="n")


def from_counts(counts: pd.DataFrame) -> Found:
    """Curves and tests by the project's estimators."""
    curves, tests = {}, {}
    for stratum in STRATA:
        table = counts.groupby([stratum, "day", "failed"], observed=True)["n"].sum().reset_index()
        for level, part in table.groupby(stratum, observed=True):
            curve = kaplan_meier(part["day"], part["failed"], part["n"])
            curves[stratum, str(level)] = _steps(curve)
        test = log_rank(table["day"], table["failed"], table[stratum], table["n"])
        if test:
            tests[stratum] = (test.statistic, test.p)
    return Found(curves, tests)


def _steps(curve: SurvivalCurve) -> pd.DataFrame:
    limits = {"lower": curve.lower, "upper": curve.upper}
    return pd.DataFrame({"survival": curve.survival, **limits}, index=curve.time, dtype=np.float64)


def from_rows(repairs: pd.DataFrame) -> Found:
    """The same by lifelines alone, one row a repair."""
    curves, tests = {}, {}
    # lifelines silences numpy's warnings for the whole process; the context gives them back.
    with np.errstate(divide="ignore", invalid="ignore"):
        for stratum in STRATA:
            for level, part in repairs.groupby(stratum, observed=True):
                fitter = KaplanMeierFitter().fit(part["day"], part["failed"])
                steps = pd.concat([fitter.survival_function_, fitter.confidence_interval_], axis="columns")
                steps.columns = pd.Index(["survival", "lower", "upper"])
                # It opens every curve with day 0, on which nobody was invented to leave.
                curves[stratum, str(level)] = steps.iloc[1:]
            test = multivariate_logrank_test(repairs["day"], repairs[stratum], repairs["failed"])
            tests[stratum] = (float(test.test_statistic), float(test.p_value))
    return Found(curves, tests)


def _differences(ours: Found, theirs: Found) -> Iterator[FloatArray]:
    """Relative differences; limits only where ours are defined (see survival.kaplan_meier on R)."""
    for key, steps in theirs.curves.items():
        mine, his = ours.curves[key], steps
        if not mine.index.equals(his.index):
            raise ValueError(f"The two ways step at different days for {key}.")
        defined = mine.notna().to_numpy()
        yield _relative(mine.to_numpy()[defined], his.to_numpy()[defined])
    for stratum, test in theirs.tests.items():
        yield _relative(np.array(ours.tests[stratum]), np.array(test))


def _relative(ours: FloatArray, theirs: FloatArray) -> FloatArray:
    scale = np.where(theirs == 0, 1.0, np.abs(theirs))
    difference: FloatArray = np.abs(ours - theirs) / scale
    return difference


def peak_memory() -> int:
    """The most memory this process has held so far, in bytes."""
    import resource  # absent on Windows, where only the benchmark lacks it

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * BYTES_OF_MAXRSS
