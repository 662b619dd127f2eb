"""Due: who waits for an answer and who drifts away, worked out by hand, in a fixed number of queries."""

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext

from registry.models import (
    BookedVisit,
    Complication,
    Contact,
    EndOfFollowUp,
    GivenUpReview,
    Identity,
    Imaging,
    IndexProcedure,
    Knee,
    Membership,
    Message,
    Patient,
    PatientLink,
    PatientReport,
    PlannedTimePoint,
    Reoperation,
    ScoreResponse,
    SecondLook,
    Tear,
    Visit,
)
from registry.recording import record
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text

TODAY = date(2024, 6, 15)
NOW = datetime(2024, 6, 15, 12, tzinfo=UTC)
# By the default plan, in days after the operation: due, and half the window.
WEEK_6, MONTH_3, MONTH_6, YEAR_1 = (42, 14), (91, 28), (183, 42), (365, 56)


@pytest.fixture(autouse=True)
def _fixed_day() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


def operated(cast: Cast, days: int, **fields: Any) -> IndexProcedure:
    """A repaired knee, operated on so many days ago."""
    procedure = factories.an_operation(
        fields.pop("unit", cast.unit), cast.oak, operated_on=TODAY - timedelta(days=days), **fields
    )
    factories.a_repair(procedure)
    return procedure


def page(cast: Cast, address: str = "/due/", who: str = "surgeon") -> str:
    return text(cast.client(who).get(address))


def lines(told: str) -> list[str]:
    """The lines of the table, each as plain words."""
    rows = told.split("<tbody>")[1].split("</tbody>")[0].split("<tr>")[1:] if "<tbody>" in told else []
    return [" ".join(re.sub("<[^>]+>", " ", row).split()) for row in rows]


def line(cast: Cast, knee: Knee, address: str = "/due/", who: str = "surgeon") -> str | None:
    """The line of one knee, if it has one."""
    told = [row for row in lines(page(cast, address, who)) if row.startswith(code(knee))]
    assert len(told) < 2
    return told[0] if told else None


def code(knee: Knee) -> str:
    return str(knee.patient.uuid)[:8]


def with_identity(knee: Knee, **plain: str) -> None:
    known = {"hospital_number": f"NM {knee.pk}", "email": "rowan@example.org", "phone": "0123", **plain}
    record(Identity.sealed(knee.patient, **known))


# --- One line ----------------------------------------------------------------------------------


def test_a_line_tells_which_knee_what_and_how_long(cast: Cast) -> None:
    # Operated on 1 March: day 106 of a review due on day 91, to be answered until day 119.
    assert line(cast, cast.knee) == (
        f"{code(cast.knee)}, left knee 3 months 31 May 2024 Due 13 days left Nothing sent "
        f"No e-mail address Phone All acts for the {cast.knee}"
    )


@pytest.mark.parametrize(
    ("days", "told"),
    [
        (27, None),
        (28, "6 weeks 29 Jun 2024 Open due in 14 days"),
        (41, "6 weeks 16 Jun 2024 Open due in 1 day"),
        (42, "6 weeks 15 Jun 2024 Due 14 days left"),
        (55, "6 weeks 2 Jun 2024 Due 1 day left"),
        (56, "6 weeks 1 Jun 2024 Due last day"),
        (57, "6 weeks 31 May 2024 Overdue for 1 day"),
        (62, "6 weeks 26 May 2024 Overdue for 6 days"),
        (63, "3 months 13 Jul 2024 Open due in 28 days"),
        (421, "12 months 20 Apr 2024 Due last day"),
        (422, "12 months 19 Apr 2024 Overdue for 1 day"),
    ],
)
def test_how_long_in_words(cast: Cast, days: int, told: str | None) -> None:
    found = line(cast, operated(cast, days).knee)
    assert (found is None) if told is None else (f"left knee {told} Nothing sent" in (found or ""))


def test_the_most_overdue_comes_first(cast: Cast) -> None:
    knees = {days: operated(cast, days).knee for days in (57, 30, 610, 50, 60)}
    # Windows end on days 56, 56, 421, 56 and 56; that of the cast's own knee ends in 13 days.
    in_order = [610, 60, 57, 50]
    told = [row[:8] for row in lines(page(cast))]
    assert told == [*(code(knees[days]) for days in in_order), code(cast.knee), code(knees[30])]


def test_what_is_answered_given_up_or_ended_waits_no_longer(cast: Cast) -> None:
    seen, given_up, gone, dead = (operated(cast, 50).knee for _ in range(4))
    record(Visit(knee=seen, seen_on=TODAY))
    record(GivenUpReview(knee=given_up, given_up_on=TODAY, time_point="6w", reason="declined"))
    record(EndOfFollowUp(patient=gone.patient, ended_on=TODAY, reason="moved"))
    factories.corrected(dead.patient, died_on=TODAY)
    assert [row[:8] for row in lines(page(cast))] == [code(cast.knee)]


def test_a_call_alone_answers_no_review(cast: Cast) -> None:
    record(Contact(knee=cast.knee, contacted_on=TODAY, source="phone"))
    assert line(cast, cast.knee)


def test_a_booked_visit_is_told_and_nothing_else_is_urged(cast: Cast) -> None:
    record(BookedVisit(knee=cast.knee, booked_for=TODAY + timedelta(days=3), time_point="3m"))
    assert "Visit on 18 Jun 2024 All acts" in (line(cast, cast.knee) or "")


def test_a_unit_is_named_where_there_are_several(cast: Cast) -> None:
    assert "Northmere Hospital" not in (line(cast, cast.knee) or "")
    record(Membership(user=cast.surgeon, unit=cast.other_unit, role="clinician"))
    assert "left knee Northmere Hospital 3 months" in (line(cast, cast.knee) or "")


def test_the_plan_of_the_unit_counts(cast: Cast) -> None:
    record(PlannedTimePoint(unit=cast.unit, time_point="24m", due_day=110, window_days=5))
    assert "24 months 19 Jun 2024 Open due in 4 days" in (line(cast, cast.knee) or "")


def test_nobody_is_named(cast: Cast) -> None:
    with_identity(cast.knee, given_names="Rowan", family_name="Aspen")
    told = page(cast) + page(cast, f"/knees/{cast.knee.uuid}/due/")
    assert "Rowan" not in told
    assert "Aspen" not in told
    assert "example.org" not in told


# --- What was sent, and the next step ----------------------------------------------------------


def a_link(knee: Knee, days_ago: int, **fields: Any) -> PatientLink:
    made_at = NOW - timedelta(days=days_ago)
    link = PatientLink(
        knee=knee,
        instruments=["koos"],
        language="en",
        **{"time_point": "3m", "made_at": made_at, "expires_at": made_at + timedelta(days=60), **fields},
    )
    record(link)
    return link


def a_message(link: PatientLink, kind: str, days_ago: int, state: str = "sent") -> None:
    at = NOW - timedelta(days=days_ago)
    record(
        Message(link=link, kind=kind, channel="email", state=state, claimed_at=at, ended_at=at, problem="")
    )


@pytest.mark.parametrize(
    ("link", "messages", "told"),
    [
        ({}, [], "Link made 5 Jun 2024 E-mail Send the invitation"),
        ({}, [("invitation", 3)], "Invitation sent 12 Jun 2024 E-mail Wait for the answer"),
        ({}, [("invitation", 7)], "Invitation sent 8 Jun 2024 E-mail Send the reminder"),
        (
            {},
            [("invitation", 10), ("reminder", 2)],
            "3 months 31 May 2024 Due 13 days left Reminder sent 13 Jun 2024 E-mail Wait for the answer",
        ),
        (
            {},
            [("invitation", 10), ("reminder", 9)],
            "13 days left Reminder sent 6 Jun 2024 E-mail Phone",
        ),
        ({}, [("invitation", 3, "failed")], "Invitation failed 12 Jun 2024 E-mail Phone"),
        ({"answers_sealed": "sealed"}, [("invitation", 3)], "Answer begun. Invitation sent 12 Jun 2024"),
        ({"wrong_tries": 5}, [("invitation", 3)], "Link locked after wrong years of birth. Invitation sent"),
        (
            {"expires_at": NOW},
            [("invitation", 9)],
            "Link expired. Invitation sent 6 Jun 2024 E-mail Send the",
        ),
        ({"taken_back_at": NOW}, [], "Link taken back. Link made 5 Jun 2024 E-mail Send the invitation"),
        # Of another review, or of the same one after an earlier operation.
        ({"time_point": "6w"}, [], "Nothing sent"),
        ({"made_at": NOW - timedelta(days=107)}, [], "Nothing sent"),
    ],
)
def test_what_was_sent_and_what_helps_next(
    cast: Cast, link: dict[str, Any], messages: list[Any], told: str
) -> None:
    with_identity(cast.knee)
    made = a_link(cast.knee, 10, **link)
    for message in messages:
        a_message(made, *message)
    assert told in (line(cast, cast.knee) or "")


@pytest.mark.parametrize(
    ("reminders", "identity", "told"),
    [
        ("email", {}, "E-mail Send the invitation"),
        ("email", {"email": ""}, "No e-mail address Phone"),
        ("sms", {}, "Text message Send the invitation"),
        ("sms", {"phone": ""}, "No phone number Phone"),
        ("none", {}, "No reminders Phone"),
    ],
)
def test_how_the_patient_is_reached(cast: Cast, reminders: str, identity: dict[str, str], told: str) -> None:
    with_identity(cast.knee, **identity)
    factories.corrected(cast.knee.patient, reminders=reminders)
    assert f"Nothing sent {told}" in (line(cast, cast.knee) or "")


def test_a_review_nobody_was_asked_for_in_time_is_for_the_phone(cast: Cast) -> None:
    knee = operated(cast, 60).knee
    with_identity(knee)
    assert "Nothing sent E-mail Phone" in (line(cast, knee) or "")


def test_who_may_only_look_is_offered_no_act(cast: Cast) -> None:
    with_identity(cast.knee)
    assert (line(cast, cast.knee, who="audit_lead") or "").endswith(
        f"Nothing sent E-mail Look for the {cast.knee}"
    )
    assert "<form" not in page(cast, who="audit_lead").split("<main")[1]


# --- Narrowing ---------------------------------------------------------------------------------


def facet(told: str, name: str) -> list[str]:
    options = told.split(f">{name}</p>")[1].split("</ul>")[0].split("<li>")[1:]
    return [" ".join(re.sub("<[^>]+>", " ", option).split()) for option in options]


def several(cast: Cast) -> None:
    """With the cast's own: two overdue, two due, one open; three of 6 weeks, one each of 3 and 12 months."""
    for days in (57, 50, 30, 430):
        operated(cast, days)


def test_counts_by_state_and_by_time_point(cast: Cast) -> None:
    several(cast)
    told = page(cast)
    assert facet(told, "State") == ["All 5", "Overdue 2", "Due 2", "Open 1"]
    # What would leave nothing is not offered.
    assert facet(told, "Review after") == ["All 5", "6 weeks 3", "3 months 1", "12 months 1"]
    assert len(lines(told)) == 5


def test_each_count_is_of_what_the_other_answer_leaves(cast: Cast) -> None:
    several(cast)
    told = page(cast, "/due/?state=due")
    assert facet(told, "State") == ["All 5", "Overdue 2", "Due 2", "Open 1"]
    assert facet(told, "Review after") == ["All 2", "6 weeks 1", "3 months 1"]
    assert len(lines(told)) == 2
    told = page(cast, "/due/?state=overdue&time_point=12m")
    assert facet(told, "State") == ["All 1", "Overdue 1"]
    assert len(lines(told)) == 1
    assert '<a href="?time_point=12m">All' in told
    assert '<a href="?state=overdue&amp;time_point=12m" aria-current="true">Overdue' in told
    assert '<a href="?state=overdue">All' in told


@pytest.mark.parametrize("address", ["/due/", "/due/drifting/"])
def test_my_own_operations(cast: Cast, address: str) -> None:
    elm = factories.a_surgeon(cast.unit, "elm", cast.colleague)
    theirs = factories.an_operation(cast.unit, elm, operated_on=TODAY - timedelta(days=60))
    factories.a_repair(theirs)
    assert len(lines(page(cast, address))) == 2
    assert [row[:8] for row in lines(page(cast, f"{address}?surgeon=own"))] == [code(cast.knee)]
    own = lines(page(cast, f"{address}?surgeon=own", who="colleague"))
    assert [row[:8] for row in own] == [code(theirs.knee)]


@pytest.mark.parametrize("address", ["/due/", "/due/drifting/"])
def test_one_unit_of_several(cast: Cast, address: str) -> None:
    record(Membership(user=cast.surgeon, unit=cast.other_unit, role="clinician"))
    there = operated(cast, 60, unit=cast.other_unit).knee
    assert len(lines(page(cast, address))) == 2
    assert [row[:8] for row in lines(page(cast, f"{address}?unit=southmere"))] == [code(there)]


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("/due/?state=late", "'late' is no state here."),
        ("/due/?time_point=7m", "'7m' is no time point here."),
        ("/due/?unit=southmere", "'southmere' is no unit here."),
        ("/due/drifting/?surgeon=elm", "'elm' is no surgeon here."),
    ],
)
def test_a_filter_that_there_is_not_is_told(cast: Cast, address: str, told: str) -> None:
    response = cast.client("surgeon").get(address)
    assert response.status_code == 400
    assert told in text(response).replace("&#x27;", "'")


@pytest.mark.parametrize("address", ["/due/", "/due/drifting/"])
def test_another_units_knees_are_not_listed(cast: Cast, address: str) -> None:
    there = operated(cast, 130, unit=cast.other_unit).knee
    assert line(cast, there, address) is None
    assert line(cast, there, address, who="stranger")


def test_an_empty_list_says_where_to_look(cast: Cast) -> None:
    told = page(cast, who="stranger")
    assert "No review that fits waits for an answer now." in told
    assert "Nobody is drifting away" in page(cast, "/due/drifting/", who="stranger")


# --- Drifting away -----------------------------------------------------------------------------


def drifts(cast: Cast, knee: Knee) -> str | None:
    return line(cast, knee, "/due/drifting/")


@pytest.mark.parametrize(
    ("days", "told"),
    [
        (56, None),
        (57, "19 Apr 2024 57 days ago 1 review, the first due 31 May 2024"),
        (119, "17 Feb 2024 3 months ago 1 review, the first due 30 Mar 2024"),
        (120, "16 Feb 2024 3 months ago 2 reviews, the first due 29 Mar 2024"),
        (1000, "19 Sep 2021 2 years 8 months ago 5 reviews, the first due 31 Oct 2021"),
    ],
)
def test_a_knee_drifts_once_a_window_is_over_unheard(cast: Cast, days: int, told: str | None) -> None:
    found = drifts(cast, operated(cast, days).knee)
    assert (found is None) if told is None else (f"left knee {told}" in (found or ""))


HEARD = [
    lambda knee, day: Visit(knee=knee, seen_on=day),
    lambda knee, day: Contact(knee=knee, contacted_on=day, source="phone"),
    lambda knee, day: SecondLook(knee=knee, looked_on=day, reason="symptoms"),
    lambda knee, day: Imaging(knee=knee, imaged_on=day, modality="mri"),
    lambda knee, day: Reoperation(knee=knee, operated_on=day, planned=False, other_surgery="hardware"),
    lambda knee, day: Complication(
        knee=knee, noticed_on=day, kind="stiffness", severity="I", found_by="symptoms"
    ),
    lambda knee, day: PatientReport(knee=knee, answered_on=day, operated_again="unsure"),
    lambda knee, day: ScoreResponse(knee=knee, answered_on=day, instrument="sane", items={"percent": 80}),
]


@pytest.mark.parametrize("heard", HEARD)
def test_whoever_was_seen_or_heard_of_in_time_does_not_drift(cast: Cast, heard: Any) -> None:
    """The window of 6 weeks opened 72 days ago: one knee is heard of that day, the other the day before."""
    in_time, too_early = operated(cast, 100).knee, operated(cast, 100).knee
    record(heard(in_time, TODAY - timedelta(days=72)), heard(too_early, TODAY - timedelta(days=73)))
    assert drifts(cast, in_time) is None
    assert "left knee 3 Apr 2024 73 days ago 1 review" in (drifts(cast, too_early) or "")


def test_a_later_window_asks_anew(cast: Cast) -> None:
    knee = operated(cast, 120).knee
    record(Contact(knee=knee, contacted_on=TODAY - timedelta(days=60), source="phone"))
    # Day 60: before the window of 3 months, days 63 to 119.
    assert "60 days ago 1 review, the first due 17 May 2024" in (drifts(cast, knee) or "")


def test_who_died_left_or_has_a_replaced_knee_does_not_drift(cast: Cast) -> None:
    dead, gone, replaced, still = (operated(cast, 100).knee for _ in range(4))
    factories.corrected(dead.patient, died_on=TODAY)
    record(EndOfFollowUp(patient=gone.patient, ended_on=TODAY, reason="moved"))
    replacement = {"operated_on": TODAY - timedelta(days=80), "other_surgery": "total_replacement"}
    record(Reoperation(knee=replaced, planned=True, **replacement))
    told = [row[:8] for row in lines(page(cast, "/due/drifting/"))]
    assert code(still) in told
    assert not {code(dead), code(gone), code(replaced)} & set(told)


def test_giving_up_is_not_hearing(cast: Cast) -> None:
    knee = operated(cast, 100).knee
    record(GivenUpReview(knee=knee, given_up_on=TODAY, time_point="3m", reason="not_reached"))
    assert line(cast, knee) is None
    assert drifts(cast, knee)


def test_a_withdrawn_contact_was_none(cast: Cast) -> None:
    knee = operated(cast, 100).knee
    contact = Contact(knee=knee, contacted_on=TODAY, source="phone")
    record(contact)
    assert drifts(cast, knee) is None
    factories.withdrawn(contact)
    assert drifts(cast, knee)


def test_the_longest_unheard_of_comes_first(cast: Cast) -> None:
    heard_since, never, lately = (operated(cast, days).knee for days in (500, 250, 60))
    # Day 300, before the window of 12 months, days 309 to 421.
    record(Contact(knee=heard_since, contacted_on=TODAY - timedelta(days=200), source="phone"))
    told = [row[:8] for row in lines(page(cast, "/due/drifting/"))]
    assert told == [code(never), code(heard_since), code(cast.knee), code(lately)]


# --- Cost --------------------------------------------------------------------------------------


def fill(cast: Cast, upto: int) -> None:
    """Bring the unit to so many repaired knees, in bulk; each with a link and a message."""
    missing = upto - Knee.objects.count()
    patients = [Patient(unit=cast.unit, sex="male", born_on=date(1990, 1, 1)) for _ in range(missing)]
    Patient.objects.bulk_create(patients)
    knees = Knee.objects.bulk_create(Knee(patient=patient, side="right") for patient in patients)
    procedures = IndexProcedure.objects.bulk_create(
        IndexProcedure(
            knee=knee,
            unit=cast.unit,
            lead_surgeon=cast.oak,
            operated_on=TODAY - timedelta(days=95 + number % 20),
            injury_date_precision="unknown",
        )
        for number, knee in enumerate(knees)
    )
    Tear.objects.bulk_create(
        Tear(procedure=procedure, meniscus="medial", pattern="radial", treatment="repaired")
        for procedure in procedures
    )
    links = PatientLink.objects.bulk_create(
        PatientLink(knee=knee, time_point="3m", instruments=["koos"], language="en", expires_at=NOW)
        for knee in knees
    )
    Message.objects.bulk_create(Message(link=link, kind="invitation", channel="email") for link in links)


@pytest.mark.parametrize("address", ["/due/?state=due&surgeon=own", "/due/", "/due/drifting/"])
def test_the_number_of_queries_is_the_same_at_20_and_2000_reviews(cast: Cast, address: str) -> None:
    client = cast.client("surgeon")

    def told() -> tuple[int, str]:
        with CaptureQueriesContext(connection) as captured:
            response = client.get(address)
        assert response.status_code == 200
        return len(captured), text(response)

    fill(cast, 20)
    few, listed = told()
    assert len(lines(listed)) == 20
    fill(cast, 2000)
    many, listed = told()
    assert len(lines(listed)) == 50
    assert "1 to 50 of 2000" in listed
    assert few == many < 10


def test_the_pages_of_the_list_keep_what_was_asked(cast: Cast) -> None:
    fill(cast, 60)
    told = page(cast, "/due/?state=due&page=2")
    assert len(lines(told)) == 10
    assert 'href="?state=due&amp;page=1"' in told


@pytest.mark.parametrize(
    ("number", "shown"), [("two", 50), ("0", 10), ("-1", 10), ("3", 10), ("9" * 7, 10), ("9" * 20, 10)]
)
def test_for_a_page_that_is_none_there_is_the_first_or_the_last(cast: Cast, number: str, shown: int) -> None:
    fill(cast, 60)
    assert len(lines(page(cast, f"/due/?state=due&page={number}"))) == shown
