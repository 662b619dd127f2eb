"""From a count table to survival results: the estimators applied to one cohort, stratum by stratum."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import pandas as pd
from django.db.models import QuerySet
from django.utils import timezone

from outcomes import wording
from outcomes.cohort import Cohort
from outcomes.counts import count_table
from outcomes.estimators import comparison, follow_up, survival
from outcomes.estimators.cautions import FEW_AT_RISK, incomplete_follow_up
from outcomes.failure import FailureDefinition
from outcomes.results import Group, SurvivalResult
from outcomes.strata import STRATA, UNKNOWN, Stratum
from outcomes.timeline import CENSORED, COMPETING, FAILED
from registry.models import Unit

CLUSTERED = (
    "Two repairs in one patient are not independent; the intervals and the test treat them as if they were."
)
FADED = f"A curve fades where fewer than {FEW_AT_RISK} repairs remain at risk: read nothing into its end."


@dataclass(frozen=True, slots=True)
class Counted:
    """A cohort's count table, without the repairs entered late, and how many those were."""

    table: pd.DataFrame
    entered_late: int


def count_cohort(
    cohort: Cohort,
    units: QuerySet[Unit],
    definition: FailureDefinition,
    strata: Sequence[Stratum],
    closed_on: date,
) -> Counted:
    """Count once for all strata; repairs entered later from old notes are set aside and counted.

    Old entries tend to be the ones somebody remembers, so at risk from day 0 they would flatter the curve.
    """
    table = count_table(cohort.repairs(units), definition, strata, closed_on)
    late = table["late"].astype(bool)
    return Counted(table[~late].drop(columns="late"), int(table.loc[late, "n"].sum()))


def survival_results(
    cohort: Cohort, units: QuerySet[Unit], definition: FailureDefinition, closed_on: date | None = None
) -> list[SurvivalResult]:
    """The cohort's survival by each stratum; empty when no repair was counted."""
    closed_on = closed_on or timezone.localdate()
    strata = list(STRATA.values())
    counted = count_cohort(cohort, units, definition, strata, closed_on)
    if counted.table.empty:
        return []
    overall = _group("all", "All repairs", _summed(counted.table))
    said = cohort.sentence(units)
    return [_by_stratum(counted, overall, stratum, definition, said, closed_on) for stratum in strata]


def _by_stratum(
    counted: Counted,
    overall: Group,
    stratum: Stratum,
    definition: FailureDefinition,
    cohort: str,
    closed_on: date,
) -> SurvivalResult:
    table = _summed(counted.table, stratum.code)
    groups = tuple(
        _group(code, label, table[table[stratum.code] == code])
        for code, label in stratum.levels.items()
        if (table[stratum.code] == code).any()
    )
    return SurvivalResult(
        title=f"{definition.name}: repairs still standing, by {stratum.title}",
        stratum_code=stratum.code,
        stratum_title=stratum.title,
        groups=groups,
        overall=overall,
        comparison=_compare(table, stratum),
        definition_name=definition.name,
        definition_sentence=definition.sentence,
        cohort_sentence=cohort,
        closed_on=closed_on,
        entered_late=counted.entered_late,
        methods=(survival.METHOD, comparison.METHOD, follow_up.METHOD),
        references=(survival.REFERENCE, comparison.REFERENCE, follow_up.REFERENCE),
        notes=tuple(filter(None, (stratum.note, _unknown_note(groups)))),
        cautions=_cautions(groups, overall, stratum, definition, counted.entered_late),
    )


def _summed(table: pd.DataFrame, *by: str) -> pd.DataFrame:
    """The count table without the other strata: fewer rows for the same counts."""
    return table.groupby([*by, "day", "outcome"], as_index=False)[["n", "potential_days"]].sum()


def _group(code: str, label: str, table: pd.DataFrame) -> Group:
    days, failed, counts = table["day"], table["outcome"] == FAILED, table["n"]
    return Group(
        code,
        label,
        survival.kaplan_meier(days, failed, counts),
        follow_up.reverse_kaplan_meier(days, _event_seen(table), counts),
        follow_up.completeness(float((days * counts).sum()), float(table["potential_days"].sum())),
        int(counts[table["outcome"].isin(COMPETING)].sum()),
    )


def _event_seen(table: pd.DataFrame) -> "pd.Series[bool]":
    """For the length of follow-up, any event that ended observation by itself counts as event."""
    return table["outcome"] != CENSORED


def _compare(table: pd.DataFrame, stratum: Stratum) -> comparison.LogRank | None:
    known = table[table[stratum.code] != UNKNOWN]
    if known.empty:
        return None
    return comparison.log_rank(known["day"], known["outcome"] == FAILED, known[stratum.code], known["n"])


def _unknown_note(groups: Sequence[Group]) -> str:
    unknown = [group for group in groups if group.code == UNKNOWN]
    return (
        f"{unknown[0].label} (n = {unknown[0].curve.n}) is shown but left out of the test." if unknown else ""
    )


def _cautions(
    groups: Sequence[Group], overall: Group, stratum: Stratum, definition: FailureDefinition, late: int
) -> tuple[str, ...]:
    incomplete = incomplete_follow_up(overall.completeness)
    said = (
        CLUSTERED,
        FADED,
        _thin(groups),
        incomplete.sentence if incomplete else "",
        f"Left out: {wording.counted(late, 'repair')} entered later from old notes." if late else "",
        stratum.caution,
        *definition.cautions,
    )
    return tuple(filter(None, said))


def _thin(groups: Sequence[Group]) -> str:
    thin = [group.label for group in groups if group.curve.n < FEW_AT_RISK]
    return f"Fewer than {FEW_AT_RISK} repairs: {', '.join(thin)}." if thin else ""
