"""What came on record lately, on Today: newest first, of every kind of entry."""

from datetime import timedelta
from typing import Any

from django.db.models import CharField, F, Model, QuerySet, Value
from django.utils import timezone
from django.utils.formats import date_format

from registry.models import (
    BookedVisit,
    Complication,
    Contact,
    GivenUpReview,
    Imaging,
    IndexProcedure,
    Knee,
    PatientReport,
    Reoperation,
    ScoreResponse,
    SecondLook,
    Visit,
)
from registry.pages.today.listing import LISTED, Line, Listing, Units

RECENT_DAYS = 30

_RECORDED: dict[type[Model], tuple[str, str]] = {
    IndexProcedure: ("operated_on", "Operation"),
    Visit: ("seen_on", "Visit"),
    ScoreResponse: ("answered_on", "Score"),
    Imaging: ("imaged_on", "Imaging"),
    SecondLook: ("looked_on", "Second look"),
    Reoperation: ("operated_on", "Reoperation"),
    Complication: ("noticed_on", "Complication"),
    Contact: ("contacted_on", "Contact"),
    PatientReport: ("answered_on", "Patient's report"),
    GivenUpReview: ("given_up_on", "Review given up, decision"),
    BookedVisit: ("booked_for", "Visit booked, day"),
}


def recently_recorded(units: Units) -> Listing:
    """What was recorded of these units' knees in the last days, newest first."""
    since = timezone.now() - timedelta(days=RECENT_DAYS)
    operated = IndexProcedure.objects.filter(unit__in=units).values("knee")
    first, *others = (_recorded(model, *words, since, operated) for model, words in _RECORDED.items())
    rows = first.union(*others, all=True)
    shown = list(rows.order_by("-recorded_at")[:LISTED])
    knees = Knee.objects.select_related("patient").in_bulk({row["knee"] for row in shown})
    lines = [
        Line(knees[row["knee"]], row["recorded_at"].date(), f"{row['what']} of {date_format(row['day'])}")
        for row in shown
    ]
    return Listing(f"Recorded in the last {RECENT_DAYS} days", "Recorded", rows.count(), lines)


def _recorded(
    model: type[Model], day: str, what: str, since: Any, knees: Any
) -> QuerySet[Any, dict[str, Any]]:
    rows = model._default_manager.filter(recorded_at__gte=since, knee__in=knees).order_by()
    told = rows.annotate(day=F(day), what=Value(what, output_field=CharField()))
    listed: QuerySet[Any, Any] = told.values("knee", "recorded_at", "day", "what")
    return listed
