"""What came on record lately, on Today: newest first, of every kind of entry."""

from datetime import timedelta
from typing import Any

from django.db.models import CharField, Count, F, Model, QuerySet, Value, Window
from django.utils import timezone
from django.utils.formats import date_format
from django_cte import CTE, with_cte

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
    """What was recorded of these units' knees in the last days, newest first; one query, and one of knees."""
    since = timezone.now() - timedelta(days=RECENT_DAYS)
    first, *others = (_recorded(model, *words, since) for model, words in _RECORDED.items())
    # Whose knees they are is asked once of all kinds together.
    lately = CTE(first.union(*others, all=True), name="recorded_lately")
    operated = IndexProcedure.objects.filter(unit__in=units).values("knee")
    rows: Any = with_cte(lately, select=lately.queryset()).filter(knee__in=operated)
    shown = list(rows.annotate(total=Window(Count("*"))).order_by("-recorded_at")[:LISTED])
    knees = Knee.objects.select_related("patient").in_bulk({row["knee"] for row in shown})
    lines = [
        Line(knees[row["knee"]], row["recorded_at"].date(), f"{row['what']} of {date_format(row['day'])}")
        for row in shown
    ]
    total = shown[0]["total"] if shown else 0
    return Listing(f"Recorded in the last {RECENT_DAYS} days", "Recorded", total, lines)


def _recorded(model: type[Model], day: str, what: str, since: Any) -> QuerySet[Any, dict[str, Any]]:
    rows = model._default_manager.filter(recorded_at__gte=since).order_by()
    told = rows.annotate(day=F(day), what=Value(what, output_field=CharField()))
    listed: QuerySet[Any, Any] = told.values("knee", "recorded_at", "day", "what")
    return listed
