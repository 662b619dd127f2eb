"""What a briefing is asked for: unit, period, definition of failure, closing day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.db.models import QuerySet
from django.utils.formats import date_format

from outcomes.cohort import Cohort
from outcomes.failure import FailureDefinition
from outcomes.response import Period
from outcomes.results import FEWEST_SHOWN
from registry.models import Repair, Unit

RULE = (
    "Activity, case mix, indications, ramp lesions and complications are of operations within the period. "
    "Survival, looks, scores, funnel and completeness are of all primary repairs operated up to its last "
    "day, so that later failures of earlier repairs count. Where the clinic is set beside the look, all "
    "repairs of the unit count."
)


class AskedWronglyError(ValueError):
    """The period cannot be briefed: which day, what it is, the rule and the mend."""


@dataclass(frozen=True, slots=True)
class Brief:
    """One unit over a period, whose first and last day count; None where it has no such end."""

    unit: Unit
    definition: FailureDefinition
    closed_on: date
    since: date | None = None
    until: date | None = None
    note: str = ""

    def __post_init__(self) -> None:
        if self.since and self.until and self.until < self.since:
            raise AskedWronglyError(
                f"until: {self.until} lies before since, {self.since}; correct one of them."
            )
        for name, day in (("since", self.since), ("until", self.until)):
            if day and day > self.closed_on:
                raise AskedWronglyError(
                    f"{name}: {day} lies after the closing day, {self.closed_on}; give that day or an "
                    "earlier one."
                )

    @property
    def units(self) -> QuerySet[Unit]:
        """The unit alone, as figures take units."""
        return Unit.objects.filter(pk=self.unit.pk)

    @property
    def period(self) -> Period:
        return Period(self.since, self.until)

    @property
    def followed(self) -> Cohort:
        """The primary repairs whose follow-up is told: operated up to the last day of the period."""
        return Cohort(until=_iso(self.until))

    @property
    def operated(self) -> Cohort:
        """The primary repairs operated within the period."""
        return Cohort(since=_iso(self.since), until=_iso(self.until))

    def repairs(self, cohort: Cohort) -> QuerySet[Repair]:
        """The repairs of one of these cohorts."""
        return cohort.repairs(self.units)

    @property
    def fewest(self) -> int:
        """Of fewer, counts are told alone."""
        return max(FEWEST_SHOWN, self.unit.smallest_count_shown)

    @property
    def period_said(self) -> str:
        """The period in words."""
        since, until = (date_format(day, "j M Y") if day else "" for day in (self.since, self.until))
        if since and until:
            return f"operations from {since} to {until}"
        if since or until:
            return f"operations from {since} on" if since else f"operations up to {until}"
        return "all operations"


def last_whole_year(on: date) -> tuple[date, date]:
    """The first and last day of the calendar year before that of `on`."""
    return date(on.year - 1, 1, 1), date(on.year - 1, 12, 31)


def _iso(day: date | None) -> str:
    return day.isoformat() if day else ""
