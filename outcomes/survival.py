"""From a count table to survival results: the estimators applied to one cohort, stratum by stratum."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from django.db.models import QuerySet
from django.utils import timezone

from outcomes import wording
from outcomes.cache import remembered
from outcomes.cohort import Cohort
from outcomes.counts import count_table
from outcomes.estimators import comparison, follow_up, survival
from outcomes.estimators.cautions import FEW_AT_RISK, incomplete_follow_up
from outcomes.estimators.clustered_score import robust_score
from outcomes.estimators.regression.efron import ChiSquare
from outcomes.estimators.trend import Trend, trend_log_rank
from outcomes.failure import FailureDefinition
from outcomes.results import Group, SurvivalResult
from outcomes.strata import MAIN_STRATA, UNKNOWN, Stratum
from outcomes.timeline import CENSORED, COMPETING, FAILED
from registry.models import Repair, Unit

# Columns of a count table that add up.
SUMMED = ("n", "potential_days")
FADED = f"A curve fades where fewer than {FEW_AT_RISK} repairs remain at risk: read nothing into its end."
CLUSTERED_TEST_METHOD = (
    "Because patients have several repairs, the groups are also compared by the score test of a Cox model "
    "with the patient as cluster."
)


@dataclass(frozen=True, slots=True)
class Counted:
    """A cohort's count table and what is said of it.

    `entered_late` of its repairs came later from old notes and are at risk only from their entry on;
    `left_out` more ended before theirs, so were never at risk while known. `repeated_patients` have several
    repairs in it.
    """

    table: pd.DataFrame
    entered_late: int
    left_out: int
    repeated_patients: int


def count_cohort(
    cohort: Cohort,
    units: QuerySet[Unit],
    definition: FailureDefinition,
    strata: Iterable[Stratum],
    closed_on: date,
) -> Counted:
    """Count once for all strata, and only once as long as the record stays as it is."""
    split = tuple(strata)
    return remembered(
        "counts",
        question(cohort, units, definition, split, closed_on),
        lambda: count_repairs(cohort.repairs(units), definition, split, closed_on),
    )


def question(
    cohort: Cohort,
    units: QuerySet[Unit],
    definition: FailureDefinition,
    strata: tuple[Stratum, ...],
    closed_on: date,
) -> tuple[object, ...]:
    """All that a count depends on beside the record, for `remembered`; a definition keeps its code."""
    keys = tuple(sorted(units.values_list("pk", flat=True)))
    return (
        cohort,
        keys,
        definition.code,
        tuple((stratum.code, *stratum.levels) for stratum in strata),
        closed_on,
    )


def count_repairs(
    repairs: QuerySet[Repair], definition: FailureDefinition, strata: Sequence[Stratum], closed_on: date
) -> Counted:
    """Count any repairs.

    Old entries tend to be the ones somebody remembers, so at risk from day 0 they would flatter the curve.
    """
    table = count_table(repairs, definition, strata, closed_on)
    never = (table["entry"] > 0) & (table["entry"] >= table["day"])
    known = table[~never].reset_index(drop=True)
    return Counted(
        table=known,
        entered_late=int(known.loc[known["entry"] > 0, "n"].sum()),
        left_out=int(table.loc[never, "n"].sum()),
        repeated_patients=int(known["patient"].nunique()),
    )


def columns_of(table: pd.DataFrame) -> dict[str, Any]:
    """The columns of a count table as the estimators name them.

    `entry` is None where nobody entered late, `cluster` where nobody has two repairs, so that what is said of
    the method fits.
    """
    cluster = table["patient"].to_numpy() if table["patient"].notna().any() else None
    return {**_columns(table), "cluster": cluster}


def _columns(table: pd.DataFrame) -> dict[str, Any]:
    return {
        "time": table["day"].to_numpy(),
        "failed": (table["outcome"] == FAILED).to_numpy(),
        "weights": table["n"].to_numpy(),
        "entry": table["entry"].to_numpy() if (table["entry"] > 0).any() else None,
    }


def one_a_repair(table: pd.DataFrame) -> pd.DataFrame:
    """The count table with a row a repair, `patient` naming everybody, as a regression takes it."""
    rows = table.loc[table.index.repeat(table["n"])].reset_index(drop=True)
    alone = rows["patient"].isna()
    own = [f"alone-{row}" for row in np.flatnonzero(alone)]
    rows.loc[alone, "patient"] = own
    return rows.assign(patient=rows["patient"].astype(str), failed=(rows["outcome"] == FAILED).astype(int))


def survival_results(
    cohort: Cohort,
    units: QuerySet[Unit],
    definition: FailureDefinition,
    closed_on: date | None = None,
    strata: Iterable[Stratum] = tuple(MAIN_STRATA.values()),
) -> list[SurvivalResult]:
    """The cohort's survival by each stratum; empty when no repair was counted."""
    day, split = closed_on or timezone.localdate(), tuple(strata)

    def work_out() -> list[SurvivalResult]:
        counted = count_cohort(cohort, units, definition, split, day)
        return results_of(counted, cohort.sentence(units), definition, day, split)

    return remembered("survival", question(cohort, units, definition, split, day), work_out)


def results_of(
    counted: Counted,
    cohort_sentence: str,
    definition: FailureDefinition,
    closed_on: date,
    strata: Sequence[Stratum],
) -> list[SurvivalResult]:
    """Survival by each of the strata that were counted; empty when no repair was."""
    if counted.table.empty:
        return []
    table = _numbered(counted.table, strata)
    overall = group_of("all", "All repairs", _summed(table))
    return [
        _by_stratum(counted, table, overall, stratum, definition, cohort_sentence, closed_on)
        for stratum in strata
    ]


def _by_stratum(
    counted: Counted,
    numbered: pd.DataFrame,
    overall: Group,
    stratum: Stratum,
    definition: FailureDefinition,
    cohort: str,
    closed_on: date,
) -> SurvivalResult:
    table = _summed(numbered, stratum.code)
    groups = tuple(
        group_of(code, label, table[table[stratum.code] == code])
        for code, label in stratum.levels.items()
        if (table[stratum.code] == code).any()
    )
    known = table[table[stratum.code] != UNKNOWN]
    unclustered = _summed_over_patients(known, stratum.code)
    compared = _compare(unclustered, stratum)
    clustered = _clustered_test(known, stratum) if compared and counted.repeated_patients else None
    return SurvivalResult(
        title=f"{definition.name}: repairs still standing, by {stratum.title}",
        stratum_code=stratum.code,
        stratum_title=stratum.title,
        groups=groups,
        overall=overall,
        comparison=compared,
        pairs=_pairs(unclustered, stratum) if compared else (),
        trend=_trend(unclustered, stratum) if compared else None,
        clustered_test=clustered,
        definition_name=definition.name,
        definition_sentence=definition.sentence,
        cohort_sentence=cohort,
        closed_on=closed_on,
        entered_late=counted.entered_late,
        left_out=counted.left_out,
        methods=_methods(overall, compared, clustered),
        references=(survival.REFERENCE, comparison.REFERENCE, follow_up.REFERENCE),
        notes=tuple(filter(None, (stratum.note, _unknown_note(groups)))),
        cautions=_cautions(groups, overall, stratum, definition, counted)
        + tuple(caution.sentence for caution in (compared.cautions if compared else ())),
    )


def _methods(
    overall: Group, compared: comparison.LogRank | None, clustered: ChiSquare | None
) -> tuple[str, ...]:
    said = (
        overall.curve.method,
        compared.method if compared else comparison.METHOD,
        CLUSTERED_TEST_METHOD if clustered else "",
        follow_up.METHOD,
    )
    return tuple(filter(None, said))


def _numbered(table: pd.DataFrame, strata: Sequence[Stratum]) -> pd.DataFrame:
    """The count table with numbers for text and patients, its rows in the order of patients.

    Numbers are compared and sorted many times as fast, and every estimator goes through all the rows.
    """
    codes, _ = pd.factorize(table["patient"])
    words = {name: pd.Categorical(table[name]) for name in (*(each.code for each in strata), "outcome")}
    numbered = table.assign(patient=np.where(codes < 0, np.nan, codes), **words)
    return numbered.sort_values("patient", ignore_index=True)


def _summed(table: pd.DataFrame, *by: str) -> pd.DataFrame:
    """The count table without the other strata: fewer rows for the same counts.

    The rows of patients with several repairs stay as they are: hardly two of them are alike.
    """
    alone = table["patient"].isna()
    together = _summed_over_patients(table[alone], *by).assign(patient=np.nan)
    return pd.concat([table.loc[~alone, together.columns], together], ignore_index=True)


def _summed_over_patients(table: pd.DataFrame, *by: str) -> pd.DataFrame:
    """The same without the patients too."""
    columns = table[[*by, "entry", "day", "outcome"]]
    numbers = [
        (column.cat.codes if column.dtype == "category" else column).to_numpy(np.int64)
        for _, column in columns.items()
    ]
    shape = [number.max(initial=0) + 1 for number in numbers]
    cell, cells = pd.factorize(np.ravel_multi_index(numbers, shape))
    # Of the rows of a cell, written backwards, the first stays.
    first = np.empty(cells.size, np.int64)
    first[cell[::-1]] = np.arange(cell.size)[::-1]
    sums = {name: np.bincount(cell, table[name], cells.size).astype(np.int64) for name in SUMMED}
    return columns.iloc[first].assign(**sums)


def group_of(code: str, label: str, table: pd.DataFrame) -> Group:
    """The curve, follow-up and completeness of the rows of one group."""
    return Group(
        code,
        label,
        survival.kaplan_meier(**columns_of(table)),
        follow_up.reverse_kaplan_meier(**_ends(table)),
        completeness_of(table),
        int(table.loc[table["outcome"].isin(COMPETING), "n"].sum()),
    )


def _ends(table: pd.DataFrame) -> dict[str, Any]:
    """How many repairs ended on each day, by an event or not."""
    ends = np.bincount(2 * table["day"] + (table["outcome"] != CENSORED), table["n"]).astype(np.int64)
    occurring = np.flatnonzero(ends)
    return {"time": occurring // 2, "failed": occurring % 2, "weights": ends[occurring]}


def completeness_of(table: pd.DataFrame) -> float | None:
    """Clark's completeness of follow-up; who entered late could be observed only from entry on."""
    before = float((table["entry"] * table["n"]).sum())
    observed = float((table["day"] * table["n"]).sum()) - before
    return follow_up.completeness(observed, float(table["potential_days"].sum()) - before)


def _test_columns(table: pd.DataFrame, stratum: Stratum) -> dict[str, Any]:
    return {**_columns(table), "group": table[stratum.code].to_numpy()}


def _compare(known: pd.DataFrame, stratum: Stratum) -> comparison.LogRank | None:
    return None if known.empty else comparison.log_rank(**_test_columns(known, stratum))


def _pairs(known: pd.DataFrame, stratum: Stratum) -> tuple[comparison.Pair, ...]:
    if known[stratum.code].nunique() < 3:
        return ()
    return comparison.pairwise_log_rank(**_test_columns(known, stratum))


def _trend(known: pd.DataFrame, stratum: Stratum) -> Trend | None:
    order = [level for level in stratum.levels if (known[stratum.code] == level).any()]
    if not stratum.is_ordered or len(order) < 3:
        return None
    return trend_log_rank(**_test_columns(known, stratum), order=order)


def _clustered_test(known: pd.DataFrame, stratum: Stratum) -> ChiSquare | None:
    """None where too few failed, or none in some group, for the groups to be compared by a Cox model."""
    return robust_score(**_test_columns(known, stratum), cluster=known["patient"].to_numpy())


def _unknown_note(groups: Sequence[Group]) -> str:
    unknown = [group for group in groups if group.code == UNKNOWN]
    return (
        f"{unknown[0].label} (n = {unknown[0].curve.n}) is shown but left out of the test." if unknown else ""
    )


def _cautions(
    groups: Sequence[Group], overall: Group, stratum: Stratum, definition: FailureDefinition, counted: Counted
) -> tuple[str, ...]:
    incomplete = incomplete_follow_up(overall.completeness)
    said = (
        _clustered(counted),
        FADED,
        _thin(groups),
        incomplete.sentence if incomplete else "",
        late_entries(counted),
        stratum.caution,
        *definition.cautions,
    )
    return tuple(filter(None, said))


def _clustered(counted: Counted) -> str:
    if not counted.repeated_patients:
        return ""
    patients = wording.counted(counted.repeated_patients, "patient")
    have = "has" if counted.repeated_patients == 1 else "have"
    return (
        f"{patients} {have} several repairs, which are not independent: intervals take the patient as "
        "cluster; the log-rank test does not."
    )


def late_entries(counted: Counted) -> str:
    """What was done with repairs entered later from old notes; empty when there are none."""
    said = []
    if counted.entered_late:
        late = wording.counted(counted.entered_late, "repair")
        said.append(f"{late} entered later from old notes: at risk only from the day of entry.")
    if counted.left_out:
        ended = wording.counted(counted.left_out, "repair")
        said.append(f"Left out: {ended} whose end was known when entered later from old notes.")
    return " ".join(said)


def _thin(groups: Sequence[Group]) -> str:
    thin = [group.label for group in groups if group.curve.n < FEW_AT_RISK]
    return f"Fewer than {FEW_AT_RISK} repairs: {', '.join(thin)}." if thin else ""
