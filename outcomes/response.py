"""Response rates: of the planned reviews that are settled, how many were answered; counted by the database.

A review is settled when it was answered, or its window is over and nothing closed it before that: a patient
who died or left, or whose knee was replaced, could not have answered.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import Case, Count, F, IntegerField, Q, QuerySet, Value, When

from outcomes.estimators.rates import Proportion, proportion
from outcomes.failure import REOPERATION
from outcomes.survival import completeness_of, count_repairs
from registry.access import results_shown
from registry.models import IndexProcedure, Repair, Unit, User
from registry.reviews import ReviewState, reviews

ANSWERED, GIVEN_UP, UNANSWERED = "answered", "given_up", "unanswered"

EARLY = (
    "A review answered while its window is open counts already; one still waited for does not. Rates of the "
    "latest reviews are therefore a little high."
)
WHO_ANSWERS = (
    "Those who answer may fare better, or worse, than those who do not: a rate says nothing of that."
)


@dataclass(frozen=True, slots=True)
class Period:
    """Days of operation from the first to the last, both counted; None where there is no limit."""

    first: date | None = None
    last: date | None = None

    def operations(self) -> QuerySet[IndexProcedure]:
        limits = {"operated_on__gte": self.first, "operated_on__lte": self.last}
        given = {name: day for name, day in limits.items() if day}
        return IndexProcedure.objects.filter(**given).order_by()


@dataclass(frozen=True, slots=True)
class Settled:
    """So many reviews of one unit, time point and surgeon (None: not named here) that ended one way."""

    unit_id: int
    surgeon_id: int | None
    time_point: str
    outcome: str
    n: int


@dataclass(frozen=True, slots=True)
class Response:
    """Of `asked` settled reviews, so many were answered, so many given up; the rest went unanswered."""

    asked: int
    answered: int
    given_up: int

    @property
    def rate(self) -> Proportion:
        """The share answered, with Wilson's interval."""
        return proportion(self.answered, self.asked)


NONE = Response(0, 0, 0)


def settled(units: QuerySet[Unit], period: Period, reader: User, on: date) -> list[Settled]:
    """The settled reviews of these units, counted in one GROUP BY; surgeons only where `reader` sees them."""
    rows: Any = reviews(units, on).filter(operation_id__in=period.operations().values("pk"))
    named = IndexProcedure.objects.filter(results_shown(reader, "")).order_by().values("pk")
    grouped = (
        rows.annotate(
            by=Case(
                When(operation_id__in=named, then=F("surgeon_id")), default=None, output_field=IntegerField()
            ),
            outcome=_outcome(on),
        )
        .filter(outcome__gt="")
        .values("unit_id", "by", "time_point", "outcome")
        .annotate(n=Count("knee_id"))
    )
    return [
        Settled(row["unit_id"], row["by"], row["time_point"], row["outcome"], row["n"]) for row in grouped
    ]


def _outcome(on: date) -> Case:
    """How a review was settled; "" where it was not."""
    return Case(
        When(state=ReviewState.ANSWERED, then=Value(ANSWERED)),
        When(Q(closes_on__gte=on) | Q(stopped_on__lte=F("closes_on")), then=Value("")),
        When(given_up=True, then=Value(GIVEN_UP)),
        default=Value(UNANSWERED),
    )


def responses(counts: Iterable[Settled], key: Callable[[Settled], Any]) -> dict[Any, Response]:
    """The counts summed by a key of theirs."""
    summed: dict[Any, Response] = {}
    for each in counts:
        so_far = summed.get(key(each), NONE)
        summed[key(each)] = Response(
            so_far.asked + each.n,
            so_far.answered + each.n * (each.outcome == ANSWERED),
            so_far.given_up + each.n * (each.outcome == GIVEN_UP),
        )
    return summed


def followed(units: QuerySet[Unit], period: Period, on: date) -> float | None:
    """Clark's completeness of follow-up of the repairs of these operations; None when there are none."""
    operations = period.operations().filter(unit__in=units)
    repairs = Repair.objects.filter(tear__procedure__in=operations.values("pk"))
    return completeness_of(count_repairs(repairs, REOPERATION, (), on).table)
