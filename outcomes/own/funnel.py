"""Surgeons of some units around the share expected by chance: points without names unless asked for."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import pandas as pd
from django.db.models import QuerySet

from outcomes import wording
from outcomes.analyses.context import Context
from outcomes.cohort import Cohort
from outcomes.estimators.cautions import REPAIRS_FOR_A_POSITION, Caution
from outcomes.estimators.funnel import Funnel, FunnelUnit, funnel, funnel_limits
from outcomes.failure import FailureDefinition
from outcomes.own.rows import Rows, repair_rows
from outcomes.own.two_years import RULE, YEARS, TwoYears, two_years
from registry.models import Surgeon, Unit

# With one other surgeon a point without a name would have one.
FEWEST_UNNAMED = 2
SMALL_NUMBERS = "Small numbers mislead; a signal asks for a case review, not a verdict."
NOT_ADJUSTED = (
    "The funnel takes no account of whom a surgeon operates on; observed over expected failures does."
)
LIMIT_LEVELS = {"lower_95": 0.025, "upper_95": 0.975, "lower_998": 0.001, "upper_998": 0.999}


@dataclass(frozen=True, slots=True)
class FunnelPoint:
    """One surgeon's place; `label` is empty for one who is not to be known."""

    label: str
    is_own: bool
    unit: FunnelUnit


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits of chance over the number of repairs, clipped to [0, 1] for drawing."""

    repairs: tuple[int, ...]
    lower_95: tuple[float, ...]
    upper_95: tuple[float, ...]
    lower_998: tuple[float, ...]
    upper_998: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class FunnelResult:
    """Failure by two years, surgeon by surgeon.

    `points` are those with a place, by size and then failures, which is no order of people; `own` is that of
    the surgeon asked about, drawn or not, None without results. `without_place` surgeons have too few
    repairs, `hidden` more would be known by being the only other one. `limits` is None without a point.
    `funnel` is None where no repair has a result.
    """

    title: str
    context: Context
    funnel: Funnel | None
    points: tuple[FunnelPoint, ...]
    own: FunnelPoint | None
    without_place: int
    hidden: int
    limits: Limits | None
    results: int
    failures: int
    early: int
    lost: int
    entered_late: int
    rule: str
    cautions: tuple[str, ...]


def funnel_of(
    units: QuerySet[Unit],
    definition: FailureDefinition,
    closed_on: date,
    since: date | None = None,
    until: date | None = None,
    *,
    coded_for: QuerySet[Surgeon] | None = None,
    own: Surgeon | None = None,
) -> FunnelResult:
    """Set each lead surgeon's failures by two years against the limits of chance.

    Parameters
    ----------
    units : whose primary repairs are counted
    since, until : first and last day of operation, where not all count
    coded_for : surgeons whose points carry their code; all others stay unnamed. Names are never given.
    own : the surgeon whose point is marked

    Notes
    -----
    Counted by RULE. The target is the pooled share. Without `coded_for` no point but the own one is given
    where only one other surgeon has a place.
    """
    days = {"since": since, "until": until}
    cohort = Cohort(**{name: day.isoformat() for name, day in days.items() if day})
    coded = dict(coded_for.values_list("pk", "code")) if coded_for is not None else {}
    rows = repair_rows(units, definition, closed_on, cohort)
    return funnel_from(rows, two_years(rows), coded, own.pk if own else None)


def funnel_from(rows: Rows, results: TwoYears, coded: Mapping[int, str], own: int | None) -> FunnelResult:
    """The funnel of rows already at hand; `coded` gives codes by key, `own` is the key marked."""
    by_surgeon = results.table.groupby("surgeon")["failed_by"].agg(["size", "sum"])
    counted = by_surgeon.sort_values(["size", "sum"])
    found = funnel(counted["sum"].tolist(), counted["size"].tolist()) if len(counted) else None
    everyone = _points(counted, found, coded, own)
    placed = [point for point in everyone if point.unit.position_drawn]
    shown = _without_the_only_other(placed)
    return FunnelResult(
        title=f"{rows.definition.name}: failed within {YEARS} years, surgeon by surgeon",
        context=rows.context(),
        funnel=found,
        points=tuple(shown),
        own=next((point for point in everyone if point.is_own), None),
        without_place=sum(not point.is_own for point in everyone if not point.unit.position_drawn),
        hidden=len(placed) - len(shown),
        limits=_limits(found, shown) if found and shown else None,
        results=len(results.table),
        failures=int(results.table["failed_by"].sum()),
        early=results.early,
        lost=results.lost,
        entered_late=results.entered_late,
        rule=RULE,
        cautions=(SMALL_NUMBERS, NOT_ADJUSTED, *_cautions(found, results), *rows.definition.cautions),
    )


def _points(
    counted: pd.DataFrame, found: Funnel | None, coded: Mapping[int, str], own: int | None
) -> list[FunnelPoint]:
    units = found.units if found else ()
    return [
        FunnelPoint(coded.get(int(surgeon), ""), int(surgeon) == own, unit)
        for surgeon, unit in zip(counted.index, units, strict=True)
    ]


def _without_the_only_other(placed: list[FunnelPoint]) -> list[FunnelPoint]:
    unnamed = [point for point in placed if not point.label and not point.is_own]
    if len(unnamed) >= FEWEST_UNNAMED:
        return placed
    return [point for point in placed if point not in unnamed]


def _limits(found: Funnel, shown: list[FunnelPoint]) -> Limits:
    largest = max(point.unit.total for point in shown)
    repairs = tuple(range(REPAIRS_FOR_A_POSITION, largest + max(5, largest // 10) + 1))
    clipped = {
        name: tuple(min(1.0, max(0.0, limit)) for limit in funnel_limits(repairs, found.target, p))
        for name, p in LIMIT_LEVELS.items()
    }
    return Limits(repairs, **clipped)


def _cautions(found: Funnel | None, results: TwoYears) -> tuple[str, ...]:
    lost = wording.counted(results.lost, "repair")
    late = wording.counted(results.entered_late, "repair")
    early = wording.counted(results.early, "failure")
    said = (
        *(_of_surgeons(caution) for caution in (found.cautions if found else ())),
        f"Without a two-year result: {lost} lost, or ended otherwise, before." if results.lost else "",
        results.incomplete,
        f"Left out: {late} entered later from old notes." if results.entered_late else "",
        f"Not counted yet: {early} of repairs whose two years are not over." if results.early else "",
    )
    return tuple(filter(None, said))


def _of_surgeons(caution: Caution) -> str:
    """The estimator speaks of units; here they are surgeons."""
    return caution.sentence.replace("Units", "Surgeons").replace("units", "surgeons")
