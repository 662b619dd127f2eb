"""Two-way tables of a cohort's repairs, and its counts by day, read from the record's own count table."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from django.core.exceptions import ValidationError
from django.db.models import QuerySet

from outcomes.cohort import Cohort
from outcomes.counts import count_table
from outcomes.failure import FailureDefinition
from outcomes.isolation import RULE, joined_splits, refusal
from outcomes.release.counts import pooled
from outcomes.release.counts.suppression import IntArray
from outcomes.release.reading import permitted_repairs
from outcomes.strata import STRATA, Stratum
from outcomes.timeline import CENSORED, FAILED
from registry.models import Repair, Unit, User

OUTCOME = "outcome"
COMPETING = "competing"
OUTCOMES = {
    FAILED: "Failed",
    COMPETING: "Ended otherwise (death, knee replacement, meniscus removed elsewhere)",
    CENSORED: "Still standing when last known well",
}
ROWS, COLUMNS = "rows", "columns"
# How a table may be split; columns may be the outcome too.
SPLITS = {code: stratum.title[:1].upper() + stratum.title[1:] for code, stratum in STRATA.items()}
COLUMN_SPLITS = {OUTCOME: "What became of them", **SPLITS}

UNKNOWN_SPLIT = "'{value}' is no way to split repairs here. Choose one of {known}."
SAME_TWICE = "'{value}' splits the rows already. Choose another for the columns."
NOT_SHOWN = f"{RULE} Split by {{title}}, some of these would be one surgeon's. Split by something else."


@dataclass(frozen=True, slots=True)
class Split:
    """One side of a table: levels as code to label in reading order, and what is said of them."""

    code: str
    title: str
    levels: dict[str, str]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TwoWay:
    """Counts of repairs by two splits, of shape (rows, columns).

    `people` counts the different patients behind each cell and margin, of shape (rows + 1, columns + 1).
    """

    rows: Split
    columns: Split
    table: IntArray
    people: IntArray


@dataclass(frozen=True, slots=True)
class Which:
    """The repairs that a table is of: a cohort in its units, counted to a day for a person."""

    cohort: Cohort
    units: QuerySet[Unit]
    definition: FailureDefinition
    closed_on: date
    person: User

    def permitted(self) -> QuerySet[Repair]:
        """Those whose patients allow research."""
        return permitted_repairs(self.cohort, self.units)

    def joined(self, codes: Mapping[str, str]) -> dict[str, Stratum]:
        """The strata of these codes, by field, levels of one surgeon taken together.

        Raises
        ------
        ValidationError
            By field: where the cohort or a split would show the results of one other surgeon.
        """
        if isolated := refusal(self.person, self.cohort, self.units):
            raise ValidationError({"cohort_name": isolated})
        shown = {
            stratum.code: stratum
            for stratum in joined_splits(
                self.person, self.cohort, self.units, [STRATA[code] for code in codes.values()]
            )
        }
        for field, code in codes.items():
            if code not in shown:
                raise ValidationError({field: NOT_SHOWN.format(title=STRATA[code].title)})
        return {field: shown[code] for field, code in codes.items()}


def check_splits(rows: str, columns: str) -> None:
    """Whether a table may be split so; ValidationError by field (rows, columns)."""
    for field, value, known in ((ROWS, rows, SPLITS), (COLUMNS, columns, COLUMN_SPLITS)):
        if value not in known:
            raise ValidationError({field: UNKNOWN_SPLIT.format(value=value, known=", ".join(known))})
    if rows == columns:
        raise ValidationError({COLUMNS: SAME_TWICE.format(value=columns)})


def two_way(which: Which, rows: str, columns: str) -> TwoWay:
    """Count the permitted repairs of a cohort by two splits.

    Raises
    ------
    ValidationError
        By field (cohort_name, rows, columns), where a split is not known or would show one surgeon alone.
    """
    check_splits(rows, columns)
    wanted = {ROWS: rows} if columns == OUTCOME else {ROWS: rows, COLUMNS: columns}
    strata = which.joined(wanted)
    counted = _counted(which, list(strata.values()))
    down, across = (_split(strata[side]) if side in strata else _outcome() for side in (ROWS, COLUMNS))
    table, people = _arrays(counted, down, across)
    return TwoWay(down, across, table, people)


def by_day(which: Which, stratum: str, band_days: int, limit: int) -> tuple[pooled.LeftOut, pooled.Rows]:
    """Count the permitted repairs of a cohort by level, entry, day and event, as they may be pooled.

    Levels with fewer than `limit` repairs or patients are left out, and those of one surgeon alone. Repairs
    whose end was known when they were entered from old notes were never at risk, and are not counted.
    """
    (joined,) = which.joined({"stratum": stratum}).values()
    known = _counted(which, [STRATA[stratum]]).rename(columns={stratum: "level", OUTCOME: "event"})
    known = known[(known["entry"] == 0) | (known["entry"] < known["day"])]
    people = _people(known, ["level"])
    small = {level for level, n in people.items() if n < limit} | (set(people.index) - {*joined.levels})
    is_out = known["level"].isin(small)
    n = int(known.loc[is_out, "n"].sum())
    levels = tuple(level for level in STRATA[stratum].levels if level in small)
    left_out = pooled.LeftOut(levels, n if n == 0 or n >= limit else None)
    return left_out, pooled.banded(known[~is_out], band_days)


def _counted(which: Which, strata: Sequence[Stratum]) -> pd.DataFrame:
    """The count table, competing causes as one outcome."""
    table = count_table(which.permitted(), which.definition, strata, which.closed_on)
    alone = table[OUTCOME].where(table[OUTCOME].isin([FAILED, CENSORED]), COMPETING)
    return table.assign(outcome=alone, all="all")


def _split(stratum: Stratum) -> Split:
    notes = tuple(filter(None, (stratum.note, stratum.caution)))
    return Split(stratum.code, stratum.title, stratum.levels, notes)


def _outcome() -> Split:
    return Split(OUTCOME, "what became of them", OUTCOMES)


def _arrays(counted: pd.DataFrame, rows: Split, columns: Split) -> tuple[IntArray, IntArray]:
    by = [rows.code, columns.code]
    inner = _spread(counted.groupby(by)["n"].sum(), rows, columns)
    people = _spread(_people(counted, by), rows, columns)
    to_the_right = _people(counted, by[:1]).reindex(list(rows.levels), fill_value=0)
    below = _people(counted, by[1:]).reindex(list(columns.levels), fill_value=0)
    total = int(_people(counted, ["all"]).sum())
    last = np.append(below.to_numpy(), total)
    return inner, np.vstack([np.column_stack([people, to_the_right.to_numpy()]), last]).astype(np.int64)


def _spread(counts: pd.Series, rows: Split, columns: Split) -> IntArray:
    wide = counts.unstack(fill_value=0).reindex(
        index=list(rows.levels), columns=list(columns.levels), fill_value=0
    )
    return wide.to_numpy(dtype=np.int64)


def _people(counted: pd.DataFrame, by: list[str]) -> pd.Series:
    """Different patients: each repeated one once, all others one a repair."""
    alone = counted["patient"].isna()
    once = counted[alone].groupby(by)["n"].sum()
    return once.add(counted[~alone].groupby(by)["patient"].nunique(), fill_value=0).astype(int)
