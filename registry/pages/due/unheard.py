"""Who is drifting away: knees that nobody has seen or heard of for longer than the plan would have it.

A knee drifts when its patient lives and is followed, and nobody has seen or heard of it since the window
opened of a planned review whose window is over. A review given up counts too: giving up is not hearing.
"""

from typing import Any

from django.db.models import Count, F, Max, Min, QuerySet
from django.utils import timezone
from django_cte import CTE, with_cte

from registry.models import Knee, Unit
from registry.models.people import SIGNS_OF_LIFE
from registry.reviews import reviews


def drifting_rows(units: QuerySet[Unit]) -> Any:
    """One row a knee: knee_id, unit_id, last_known_on; how many reviews passed since, the first due when.

    Where nobody was heard of since one window opened, nobody was since any later one: the rows left of a knee
    are the reviews that passed unheard.
    """
    today = timezone.localdate()
    last = CTE(_last_known(), name="last_known")
    passed = reviews(units, today).filter(closes_on__lt=today, stopped_on__gt=today)
    known = with_cte(last, select=last.join(passed, knee_id=last.col.of_knee)).annotate(
        last_known_on=last.col.last_on
    )
    unheard = known.filter(last_known_on__lt=F("opens_on")).order_by()
    return unheard.values("knee_id", "unit_id", "last_known_on").annotate(
        passed=Count("time_point"), first_due_on=Min("due_on")
    )


def _last_known() -> Any:
    """The latest day of any standing entry of each knee."""
    first, *others = (_days(rows, day) for rows, day in SIGNS_OF_LIFE.items())
    days = CTE(first.union(*others, all=True), name="day_known")
    return with_cte(days, select=days.queryset()).values("of_knee").annotate(last_on=Max("on_day"))


def _days(rows: str, day: str) -> Any:
    entries: Any = getattr(Knee, rows).rel.related_model
    known = entries.objects.order_by().annotate(of_knee=F("knee_id"), on_day=F(day))
    return known.values("of_knee", "on_day")
