"""Cases that a meeting may want to talk through: by code, month and reason, nothing that names anybody."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from outcomes.briefing.asked import Brief
from outcomes.briefing.complications import SEVERE
from outcomes.cohort import Cohort
from outcomes.standing import standings
from outcomes.timeline import FAILED, timeline
from registry.models import Complication, Repair
from registry.vocabulary import ComplicationKind, Severity

MONTHS_BACK = 12
MOST_LISTED = 60
RULE = (
    "Repairs, primary and revision, that failed within the period, and complications of Clavien-Dindo grade "
    "III or more noticed within it, of knees operated on here; of a period without a first day the last "
    f"{MONTHS_BACK} months. A code is the first eight characters of the knee's key in the record, by which "
    "only who may see the record finds the knee."
)


@dataclass(frozen=True, slots=True)
class Case:
    """One case: the code of its knee, the month of the event as 2024-03, and why it is here."""

    code: str
    month: str
    reason: str


@dataclass(frozen=True, slots=True)
class Cases:
    """The latest cases, and how many there are in all, between two days."""

    since: date
    until: date
    total: int
    listed: tuple[Case, ...]


def cases_of(brief: Brief) -> Cases:
    """Gather the cases; four queries, however many."""
    until = brief.until or brief.closed_on
    since = brief.since or _months_before(until)
    found = [*_failed(brief, since, until), *_severe(brief, since, until)]
    in_order = sorted(found, key=lambda each: (each[0], each[1].code, each[1].reason), reverse=True)
    return Cases(since, until, len(found), tuple(case for _, case in in_order[:MOST_LISTED]))


def _months_before(day: date) -> date:
    """The same day so many months before, at most the 28th."""
    year, month = divmod(day.year * 12 + day.month - 1 - MONTHS_BACK, 12)
    return date(year, month + 1, min(day.day, 28))


def _failed(brief: Brief, since: date, until: date) -> list[tuple[date, Case]]:
    repairs = brief.repairs(Cohort(which="all"))
    failed: Any = timeline(repairs, brief.definition).filter(outcome=FAILED, ended_on__range=(since, until))
    keys = list(failed.values_list("pk", flat=True))
    rows = list(Repair.objects.filter(pk__in=keys).select_related("tear__procedure__knee"))
    known = standings(rows, brief.definition) if rows else {}
    return [
        (
            known[row.pk].ended_on,
            Case(
                code=_code(row.tear.procedure.knee.uuid),
                month=f"{known[row.pk].ended_on:%Y-%m}",
                reason=f"Failed after {known[row.pk].months} months: {known[row.pk].why}",
            ),
        )
        for row in rows
    ]


def _severe(brief: Brief, since: date, until: date) -> list[tuple[date, Case]]:
    operated = brief.repairs(Cohort(which="all")).values("tear__procedure__knee")
    rows = Complication.objects.filter(
        knee__in=operated, severity__in=SEVERE, noticed_on__range=(since, until)
    ).values_list("knee__uuid", "noticed_on", "kind", "severity")
    return [
        (
            noticed_on,
            Case(
                code=_code(knee),
                month=f"{noticed_on:%Y-%m}",
                reason=f"Complication, grade {Severity(severity).label}: {ComplicationKind(kind).label}",
            ),
        )
        for knee, noticed_on, kind, severity in rows
    ]


def _code(key: Any) -> str:
    return str(key)[:8]
