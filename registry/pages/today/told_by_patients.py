"""What patients told, on Today: warning signs to see to now, and operations to be verified."""

from collections.abc import Callable
from typing import Any

from django.db.models import Count, Exists, OuterRef, QuerySet, Subquery, Window
from django.urls import reverse

from registry.access import Action, Person, knees_for
from registry.models import IndexProcedure, PatientReport, Reoperation, ScoreResponse
from registry.pages.story.reviews import signs_told
from registry.pages.today.listing import LISTED, Line, Listing, Units
from registry.reports import to_verify, warning_signs
from registry.scoring import INSTRUMENTS
from registry.vocabulary import ReoperatedSince


def warnings(units: Units, person: Person) -> Listing:
    """Every warning sign that nobody has seen to, newest first: none is left off this list."""
    lines = _lines(warning_signs(units), person, signs_told)
    return Listing("Warning signs told by patients", "Told", len(lines), lines)


def to_be_verified(units: Units, person: Person) -> Listing:
    """Operations that patients told of, in a report or with a score, newest first."""
    reports = to_verify(units)
    # Which answers are open is found once, for their number and the first of them.
    answers: Any = _told_with_a_score(units).annotate(in_all=Window(Count("*")))[:LISTED]
    lines = [
        *_lines(reports, person, _report_told, LISTED),
        *(Line(score.knee, score.answered_on, _score_told(score)) for score in answers),
    ]
    newest = sorted(lines, key=lambda line: line.on, reverse=True)[:LISTED]
    total = reports.count() + (answers[0].in_all if answers else 0)
    return Listing("Operated on again, says the patient: to be verified", "Answered", total, newest)


def _lines(
    reports: QuerySet[PatientReport],
    person: Person,
    words: Callable[[PatientReport], str],
    limit: int | None = None,
) -> list[Line]:
    """One line a report, leading to its own page for who records follow-up of that knee."""
    followed = knees_for(person, Action.RECORD_FOLLOW_UP).filter(pk=OuterRef("knee"))
    rows: Any = reports.annotate(may_record=Exists(followed)).select_related("knee__patient")
    return [
        Line(
            report.knee,
            report.answered_on,
            words(report),
            url=reverse("verify_report", args=[report.knee.uuid, report.uuid]) if report.may_record else "",
        )
        for report in rows[:limit]
    ]


def _report_told(report: PatientReport) -> str:
    way = report.get_way_display().lower()
    return f"{report.get_operated_again_display()}, {way}: confirm it or set it aside"


def _score_told(score: ScoreResponse) -> str:
    return f"Yes, with {INSTRUMENTS[score.instrument].name}: record that operation, or correct the answer"


def _told_with_a_score(units: Units) -> QuerySet[ScoreResponse]:
    """Scores with "yes, operated on again" since when no operation on that knee has come on record.

    Since the last operation that was on record when the answer was: one recorded later may be what it means.
    """
    known = IndexProcedure.objects.filter(
        knee=OuterRef("knee"),
        operated_on__lte=OuterRef("answered_on"),
        recorded_at__lte=OuterRef("recorded_at"),
    )
    later = {"knee": OuterRef("knee"), "operated_on__gt": OuterRef("since")}
    told = (
        ScoreResponse.objects.filter(
            reoperated_since=ReoperatedSince.YES,
            knee__in=IndexProcedure.objects.filter(unit__in=units).values("knee"),
        )
        .annotate(since=Subquery(known.order_by("-operated_on").values("operated_on")[:1]))
        .filter(~Exists(Reoperation.objects.filter(**later)), ~Exists(IndexProcedure.objects.filter(**later)))
    )
    return told.select_related("knee__patient").order_by("-answered_on", "-pk")
