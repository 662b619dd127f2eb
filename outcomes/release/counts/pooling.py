"""Joint survival of several hospitals from their counts: no row of a patient is needed.

Pure. Kaplan-Meier and log-rank depend on the rows only through the counts by day, so adding up counts gives
what the joint rows would give, to the width of a band of days.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from outcomes.estimators import comparison, survival
from outcomes.release.counts.pooled import FAILED, PooledCounts

# As outcomes.strata.UNKNOWN: shown, never tested.
UNKNOWN = "unknown"
# What has to be the same in all files, in the words of an error.
SAME = {
    "definition_sentence": "definition of failure",
    "stratum": "stratum",
    "levels": "levels of the stratum",
    "band_days": "width of the bands of days",
}
DIFFERS = (
    "The {what} is not the same: {first} has {one!r}, {second} has {other!r}. Make both files alike, then "
    "pool them."
)
TWICE = "{first} and {second} hold the same counts. Give each hospital's file once."
TOO_FEW_FILES = "Only {n} file is given: pooling needs two or more."
CAUTIONS = (
    "Hospitals may differ in whom they repair and how long they follow them: the joint curve averages over "
    "that.",
    "A level too small at one hospital is left out of that hospital's counts, not of the others'.",
    "A patient who was operated on at two hospitals, or twice, counts as two: intervals do not take the "
    "patient as cluster.",
)


class CannotPoolError(ValueError):
    """Files that do not go together."""


@dataclass(frozen=True, slots=True)
class Level:
    """One level, or all together, with its joint curve."""

    code: str
    label: str
    curve: survival.SurvivalCurve


@dataclass(frozen=True, slots=True)
class Joint:
    """What several hospitals have together.

    `test` compares the levels; `test_within` does so within each hospital and sums over them, which
    differences between hospitals do not disturb. Either is None where there is nothing to test. `left_out`
    names the levels that were too small, by file.
    """

    levels: tuple[Level, ...]
    overall: Level
    test: comparison.LogRank | None
    test_within: comparison.LogRank | None
    repairs: dict[str, int]
    left_out: dict[str, tuple[str, ...]]
    cautions: tuple[str, ...]


def pool(files: Mapping[str, PooledCounts]) -> Joint:
    """Add up the counts of several hospitals, given under a name each.

    Raises
    ------
    CannotPoolError
        When fewer than two are given, two differ in what has to be the same, two hold the same counts, or
        none counts a repair.
    """
    _check(files)
    table = pd.concat([each.table().assign(file=name) for name, each in files.items()], ignore_index=True)
    if table.empty:
        raise CannotPoolError("No file counts a repair: there is nothing to pool.")
    labels = next(iter(files.values())).levels
    known = table[table["level"] != UNKNOWN]
    return Joint(
        levels=tuple(
            _level(code, label, table[table["level"] == code])
            for code, label in labels.items()
            if (table["level"] == code).any()
        ),
        overall=_level("all", "All repairs", table),
        test=_test(known),
        test_within=_test(known, within=True),
        repairs={name: each.n for name, each in files.items()},
        left_out={name: each.left_out.levels for name, each in files.items() if each.left_out.levels},
        cautions=(*_other_cohorts(files), *CAUTIONS),
    )


def _check(files: Mapping[str, PooledCounts]) -> None:
    if len(files) < 2:
        raise CannotPoolError(TOO_FEW_FILES.format(n=len(files)))
    (first, one), *others = files.items()
    for name, other in others:
        for field, what in SAME.items():
            mine, theirs = getattr(one, field), getattr(other, field)
            # Order counts: a table is read in it.
            if mine != theirs or (isinstance(mine, dict) and list(mine) != list(theirs)):
                raise CannotPoolError(
                    DIFFERS.format(what=what, first=first, one=mine, second=name, other=theirs)
                )
    seen: dict[object, str] = {}
    for name, each in files.items():
        if each.rows and each.rows in seen:
            raise CannotPoolError(TWICE.format(first=seen[each.rows], second=name))
        seen[each.rows] = name


def _other_cohorts(files: Mapping[str, PooledCounts]) -> tuple[str, ...]:
    sentences = {name: each.cohort_sentence for name, each in files.items()}
    if len(set(sentences.values())) == 1:
        return ()
    told = " ".join(f"{name}: {sentence}" for name, sentence in sentences.items())
    return (f"The cohorts are not told in the same words. {told}",)


def _level(code: str, label: str, table: pd.DataFrame) -> Level:
    return Level(code, label, survival.kaplan_meier(**_columns(table)))


def _columns(table: pd.DataFrame) -> dict[str, Any]:
    """As the estimators name them; no entry where nobody entered late, so that the method is told rightly."""
    return {
        "time": table["day"].to_numpy(),
        "failed": (table["event"] == FAILED).to_numpy(),
        "weights": table["n"].to_numpy(),
        "entry": table["entry"].to_numpy() if (table["entry"] > 0).any() else None,
    }


def _test(known: pd.DataFrame, *, within: bool = False) -> comparison.LogRank | None:
    if known.empty:
        return None
    strata = known["file"].to_numpy() if within else None
    return comparison.log_rank(**_columns(known), group=known["level"].to_numpy(), strata=strata)
