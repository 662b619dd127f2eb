"""A surgeon's own failures, one line each with its reason and its knee."""

from dataclasses import dataclass
from datetime import date
from uuid import UUID

from outcomes.failure import FailureDefinition
from outcomes.own.rows import DAY, Rows
from outcomes.standing import standings
from registry.models import Repair


@dataclass(frozen=True, slots=True)
class OwnFailure:
    """One failed repair: which, when, after how long and why."""

    knee: UUID
    repair: str
    operated_on: date
    failed_on: date
    months: str
    why: str


def own_failures(own: Rows, definition: FailureDefinition, most: int | None = None) -> tuple[OwnFailure, ...]:
    """The failures among these rows, latest first, all or so many; three queries, however many."""
    failed = own.table[own.table["failed"]]
    latest = (failed["operated"] + failed["day"] * DAY).sort_values(ascending=False, kind="stable")
    keys = failed.loc[latest.index[:most], "repair"].tolist()
    repairs = list(Repair.objects.filter(pk__in=keys).select_related("tear__procedure__knee__patient"))
    known = standings(repairs, definition) if repairs else {}
    found = (
        OwnFailure(
            knee=repair.tear.procedure.knee.uuid,
            repair=str(repair.tear),
            operated_on=repair.tear.procedure.operated_on,
            failed_on=known[repair.pk].ended_on,
            months=known[repair.pk].months,
            why=known[repair.pk].why,
        )
        for repair in repairs
    )
    return tuple(sorted(found, key=lambda failure: (failure.failed_on, failure.operated_on), reverse=True))
