"""The rows of a release: permitted ones only, pseudonymous, in days, none in a class too small to hide in."""

from dataclasses import dataclass

import pandas as pd
from django.db.models import Case, Exists, F, OuterRef, QuerySet, Value, When

from outcomes.cohort import Cohort
from outcomes.failure import FailureDefinition
from outcomes.release.columns import MOST_SUPPRESSED, NAMES, QUASI_IDENTIFIERS, SMALLEST_CLASS
from outcomes.release.pseudonyms import SHORT_BITS, Pseudonyms
from outcomes.strata import MAIN_STRATA
from outcomes.timeline import FAILED, entered_late, timeline
from registry.models import EndOfFollowUp, Unit
from registry.vocabulary import EndReason, ResearchPermission, Technique


class ReleaseRefusedError(Exception):
    """The release cannot be made safely; the message says why and what could be done."""


@dataclass(frozen=True, slots=True)
class ReleaseRows:
    """The released table with the counts of each step towards it."""

    table: pd.DataFrame
    in_cohort: int
    permitted: int
    suppressed: int
    smallest_class: int


def release_rows(
    cohort: Cohort, units: QuerySet[Unit], definition: FailureDefinition, pseudonyms: Pseudonyms
) -> ReleaseRows:
    """Build the rows; raises ReleaseRefusedError when none is permitted or too many would be suppressed."""
    repairs = cohort.repairs(units)
    in_cohort = repairs.count()
    permitted = _read(cohort, units, definition)
    if permitted.empty:
        raise ReleaseRefusedError(
            f"None of the {in_cohort} repairs may be released: no patient gave research permission. "
            "Record permissions, or widen the cohort."
        )
    table = _pseudonymous(permitted, pseudonyms)
    smallest_allowed = max(SMALLEST_CLASS, *(unit.smallest_count_shown for unit in units))
    kept = table[_class_sizes(table) >= smallest_allowed]
    suppressed = len(table) - len(kept)
    if suppressed > MOST_SUPPRESSED * len(table):
        raise ReleaseRefusedError(
            f"{suppressed} of {len(table)} rows share {', '.join(QUASI_IDENTIFIERS)} with fewer than "
            f"{smallest_allowed - 1} other patients; at most {MOST_SUPPRESSED:.0%} may be suppressed. "
            "Widen the cohort."
        )
    # Sorted by pseudonym, so that the order of rows does not tell the order of entry.
    ordered = kept.sort_values("repair", ignore_index=True)[list(NAMES)]
    return ReleaseRows(ordered, in_cohort, len(table), suppressed, int(_class_sizes(ordered).min()))


def _read(cohort: Cohort, units: QuerySet[Unit], definition: FailureDefinition) -> pd.DataFrame:
    procedure = "tear__procedure__"
    patient = f"{procedure}knee__patient__"
    # Who withdrew from follow-up is left out too, whatever the permission still says.
    withdrew = EndOfFollowUp.objects.filter(
        patient=OuterRef(f"{procedure}knee__patient"), reason=EndReason.WITHDREW
    )
    permitted = (
        cohort.repairs(units)
        .filter(**{f"{patient}research_permission": ResearchPermission.GIVEN})
        .exclude(Exists(withdrew))
    )
    columns = {
        "repair": F("tear__uuid"),
        "patient": F(f"{procedure}knee__patient__uuid"),
        "surgeon": F(f"{procedure}lead_surgeon_id"),
        "unit": F(f"{procedure}unit_id"),
        "meniscus": F("tear__meniscus"),
        "pattern": F("tear__pattern"),
        **{code: stratum.expression for code, stratum in MAIN_STRATA.items()},
        "revision": Case(When(tear__revises__isnull=False, then=Value(1)), default=Value(0)),
        "entered_late": Case(When(entered_late(), then=Value(1)), default=Value(0)),
        "days": F("duration_days"),
    }
    flags = list(Technique.values)
    names = [*flags, "augmentation", "outcome", *columns]
    rows = timeline(permitted, definition).annotate(**columns).values_list(*names)
    return pd.DataFrame(list(rows), columns=names)


def _pseudonymous(table: pd.DataFrame, pseudonyms: Pseudonyms) -> pd.DataFrame:
    flags = list(Technique.values)
    techniques = [
        "+".join(flag for flag, used in zip(flags, row, strict=True) if used)
        for row in table[flags].itertuples(index=False, name=None)
    ]
    return table.assign(
        repair=[pseudonyms.of("repair", uuid) for uuid in table["repair"]],
        patient=[pseudonyms.of("patient", uuid) for uuid in table["patient"]],
        surgeon=[pseudonyms.of("surgeon", key, SHORT_BITS) for key in table["surgeon"]],
        unit=[pseudonyms.of("unit", key, SHORT_BITS) for key in table["unit"]],
        technique=techniques,
        failed=(table["outcome"] == FAILED).astype(int),
    )


def _class_sizes(table: pd.DataFrame) -> "pd.Series[int]":
    """Patients, not repairs, who share a row's quasi-identifiers: two repairs of one person hide nobody."""
    return table.groupby(list(QUASI_IDENTIFIERS))["patient"].transform("nunique")
