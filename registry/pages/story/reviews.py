"""What the patient told, and what was done about reviews, in the Knee story.

The patient's own words stay sealed here: they stand on the page where the report is verified.
"""

from collections.abc import Iterator
from itertools import chain

from django.urls import reverse
from django.utils.text import capfirst

from registry.models import BookedVisit, GivenUpReview, PatientReport
from registry.pages.differences import label_of, named
from registry.pages.story.keeping import kept, link_to_withdraw
from registry.pages.story.moment import Link, Moment
from registry.pages.story.teller import Teller
from registry.pages.wording import Facts, facts
from registry.vocabulary import OperatedAgain, TimePoint


def of_reviews(told: Teller) -> Iterator[Moment]:
    knee = told.knee
    return chain(
        (_report(told, report) for report in knee.reports.all()),
        (_given_up(told, given_up) for given_up in knee.given_up_reviews.all()),
        (_booked(told, visit) for visit in knee.booked_visits.all()),
    )


def signs_told(report: PatientReport) -> str:
    """The warning signs of a report in words, such as "Fever, locked knee"."""
    labels = (label_of(report._meta.get_field(sign)) for sign in report.signs)
    return str(capfirst(", ".join(labels).lower()))


def verification(report: PatientReport) -> str:
    """What came of a report; the empty text where there is nothing to verify."""
    if report.operated_again == OperatedAgain.NO:
        return ""
    if report.no_reoperation_because:
        return f"Set aside: {report.no_reoperation_because}"
    confirmed_by = report.confirmed_by
    return f"Confirmed by the {named(confirmed_by)}" if confirmed_by else "Not verified yet; in no figure"


def _report(told: Teller, report: PatientReport) -> Moment:
    open_signs = bool(report.signs) and not report.signs_seen_to
    return Moment(
        on=report.answered_on,
        title="Patient's report",
        facts=[
            *facts(report, "operated_again"),
            *_said(("Verified", verification(report)), ("Warning signs", signs_told(report))),
            *(facts(report, "signs_seen_to") if report.signs else []),
            *facts(report, "way", *_planned(report)),
        ],
        note="Warning signs that nobody has seen to yet." if open_signs else "",
        kept=kept(told, report),
        links=_links(told, report),
    )


def _links(told: Teller, report: PatientReport) -> list[Link]:
    if not told.reader.may_record:
        return []
    page = Link("What the patient told", reverse("verify_report", args=[told.knee.uuid, report.uuid]))
    return [page, *link_to_withdraw(told, "report", report)]


def _given_up(told: Teller, given_up: GivenUpReview) -> Moment:
    return Moment(
        on=given_up.given_up_on,
        title=f"Review given up, {given_up.get_time_point_display()}",
        facts=facts(given_up, "reason"),
        kept=kept(told, given_up),
        links=link_to_withdraw(told, "given-up-review", given_up),
    )


def _booked(told: Teller, visit: BookedVisit) -> Moment:
    return Moment(
        on=visit.booked_for,
        title="Visit booked",
        facts=facts(visit, *_planned(visit)),
        mark="is-planned",
        rank=5,
        kept=kept(told, visit),
        links=link_to_withdraw(told, "booked-visit", visit),
    )


def _planned(row: PatientReport | BookedVisit) -> list[str]:
    return [] if row.time_point == TimePoint.UNPLANNED else ["time_point"]


def _said(*told: tuple[str, str]) -> Facts:
    return [(label, text) for label, text in told if text]
