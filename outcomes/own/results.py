"""Everything that My results shows of one surgeon, worked out once as long as the record stays as it is."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from django.db.models import QuerySet

from outcomes.analyses.context import Context
from outcomes.cache import remembered
from outcomes.estimators.cautions import REPAIRS_FOR_A_POSITION
from outcomes.estimators.rates import ObservedExpected
from outcomes.failure import FailureDefinition
from outcomes.own.case_mix import Level, case_mix, indications
from outcomes.own.expected import NOTHING_EXPECTED, Expectation, expectation
from outcomes.own.failures import OwnFailure, own_failures
from outcomes.own.funnel import FunnelResult, funnel_from
from outcomes.own.learning import Learning, learning
from outcomes.own.monitor import Monitor, monitor
from outcomes.own.ramp import Ramp, ramp_of
from outcomes.own.rows import Rows, repair_rows
from outcomes.own.two_years import two_years
from outcomes.results import Group
from outcomes.survival import group_of
from registry.models import Surgeon, Unit

COUNTS_ONLY = (
    f"Fewer than {REPAIRS_FOR_A_POSITION} repairs: counts only, no rate, no position and no monitor."
)
# A surgeon of some hundred failures has a file for the rest.
FAILURES_LISTED = 100
ONE_OTHER = (
    "Only one other surgeon works here: what to expect would be that surgeon's results, which are not shown."
)


@dataclass(frozen=True, slots=True)
class Adjusted:
    """Observed over expected failures, and what was expected by; without a ratio `refused` says why."""

    ratio: ObservedExpected | None
    by: Expectation | None
    refused: str


@dataclass(frozen=True, slots=True)
class Judged:
    """What is shown only of a surgeon with repairs enough: curve, position, monitor, learning view.

    `monitor` is a sentence where there is nothing to watch.
    """

    own: Group
    unit: Group
    funnel: FunnelResult
    adjusted: Adjusted
    monitor: Monitor | str
    learning: Learning


@dataclass(frozen=True, slots=True)
class OwnResults:
    """One surgeon's results beside those of all surgeons of the same units.

    `judged` is None for fewer than REPAIRS_FOR_A_POSITION repairs. Of each pair the first is the surgeon's.
    `failures` are the latest FAILURES_LISTED; `every_failure` gives all.
    """

    context: Context
    unit_context: Context
    surgeons: int
    judged: Judged | None
    case_mix: tuple[Level, ...]
    indications: tuple[Level, ...]
    ramp: tuple[Ramp, Ramp]
    failures: tuple[OwnFailure, ...]


def own_results(
    surgeon: Surgeon,
    units: QuerySet[Unit],
    definition: FailureDefinition,
    closed_on: date,
    *,
    coded_for: QuerySet[Surgeon] | None = None,
) -> OwnResults:
    """A surgeon's results over these units; `coded_for` as in `funnel_of`."""
    coded = dict(coded_for.values_list("pk", "code")) if coded_for is not None else {}
    keys = tuple(sorted(units.values_list("pk", flat=True)))
    return remembered(
        "own-results",
        (surgeon.pk, keys, definition.code, closed_on, tuple(sorted(coded.items()))),
        lambda: _work_out(surgeon, units, definition, closed_on, coded),
    )


def every_failure(
    surgeon: Surgeon, units: QuerySet[Unit], definition: FailureDefinition, closed_on: date
) -> tuple[OwnFailure, ...]:
    """All failures of a surgeon over these units, latest first."""
    return own_failures(repair_rows(units, definition, closed_on).of_surgeon(surgeon.pk), definition)


def _work_out(
    surgeon: Surgeon,
    units: QuerySet[Unit],
    definition: FailureDefinition,
    closed_on: date,
    coded: Mapping[int, str],
) -> OwnResults:
    unit = repair_rows(units, definition, closed_on)
    own = unit.of_surgeon(surgeon.pk)
    return OwnResults(
        context=own.context(),
        unit_context=unit.context(),
        surgeons=int(unit.table["surgeon"].nunique()),
        judged=_judged(surgeon, own, unit, coded) if own.is_shown else None,
        case_mix=case_mix(own, unit),
        indications=indications(own, unit),
        ramp=ramp_of(units, surgeon),
        failures=own_failures(own, definition, FAILURES_LISTED),
    )


def _judged(surgeon: Surgeon, own: Rows, unit: Rows, coded: Mapping[int, str]) -> Judged:
    adjusted = _adjusted(own, unit.of_others(surgeon.pk), coded)
    results = two_years(own)
    return Judged(
        own=group_of("own", "Own", own.table),
        unit=group_of("unit", "All surgeons", unit.table),
        funnel=funnel_from(unit, two_years(unit), coded, surgeon.pk),
        adjusted=adjusted,
        monitor=monitor(own, results, adjusted.by),
        learning=learning(results, surgeon.independent_since, adjusted.by),
    )


def _adjusted(own: Rows, others: Rows, coded: Mapping[int, str]) -> Adjusted:
    colleagues = set(others.table["surgeon"])
    if len(colleagues) == 1 and not colleagues <= set(coded):
        return Adjusted(None, None, ONE_OTHER)
    model = expectation(others, own)
    return Adjusted(model.observed(own.table), model, "") if model else Adjusted(None, None, NOTHING_EXPECTED)
