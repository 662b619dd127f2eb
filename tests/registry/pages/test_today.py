"""Today: what is due, incomplete and new, each role its own page, in a constant number of queries."""

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext

from registry.models import (
    BookedVisit,
    Draft,
    EndOfFollowUp,
    GivenUpReview,
    IndexProcedure,
    Membership,
    PatientReport,
    Reoperation,
    ScoreResponse,
    SecondLook,
    User,
    Visit,
)
from registry.recording import record
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text

NOW = date(2024, 6, 15)
TODAY = datetime(2024, 6, 15, 12, tzinfo=UTC)
DUE = "Ligament operation due"
LOOKS = "Second look to record"
RECENT = "Recorded in the last 30 days"
QUERIES = {"surgeon": 32, "coordinator": 9, "administrator": 7}


@pytest.fixture(autouse=True)
def _fixed_day() -> Iterator[None]:
    with time_machine.travel(TODAY, tick=False):
        yield


def listing(cast: Cast, title: str, who: str = "surgeon") -> str:
    """The part of the page under one heading."""
    return text(cast.client(who).get("/")).split(f"<h3>{title}</h3>")[1].split("</section>")[0]


def shown(cast: Cast, title: str, procedure: IndexProcedure) -> bool:
    return f"/knees/{procedure.knee.uuid}/" in listing(cast, title)


def staged(cast: Cast, planned_on: date, **fields: Any) -> IndexProcedure:
    return factories.an_operation(
        cast.unit, cast.oak, staging="repair_first", ligament_planned_on=planned_on, acl="staged", **fields
    )


# --- Due ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("days", "told"),
    [
        (-400, None),
        (-12, "12 days overdue"),
        (0, "Today"),
        (1, "In 1 day"),
        (30, "In 30 days"),
        (31, None),
    ],
)
def test_a_staged_knee_is_due_from_thirty_days_before(cast: Cast, days: int, told: str | None) -> None:
    if days == -400:
        procedure = staged(cast, NOW - timedelta(days=400), operated_on=date(2023, 1, 10))
        assert "400 days overdue" in listing(cast, DUE)
        return
    procedure = staged(cast, NOW + timedelta(days=days))
    assert shown(cast, DUE, procedure) is (told is not None)
    assert (told or "None.") in listing(cast, DUE)


def test_a_knee_looked_at_since_is_no_longer_due(cast: Cast) -> None:
    procedure = staged(cast, NOW)
    assert shown(cast, DUE, procedure)
    record(SecondLook(knee=procedure.knee, looked_on=NOW, reason="staged"))
    assert not shown(cast, DUE, procedure)


@pytest.mark.parametrize(("surgery", "still"), [("ligament", False), ("hardware", True), ("none", True)])
def test_a_ligament_operation_done_is_no_longer_due(cast: Cast, surgery: str, still: bool) -> None:
    procedure = staged(cast, NOW)
    record(Reoperation(knee=procedure.knee, operated_on=NOW, planned=True, other_surgery=surgery))
    assert shown(cast, DUE, procedure) is still


@pytest.mark.parametrize(
    ("operated_on", "state", "still"),
    [
        (NOW, "treated_here", False),
        (NOW, "left", True),
        (NOW, "reconstructed_before", True),
        (date(2022, 1, 10), "treated_here", True),
    ],
)
def test_a_next_operation_that_treats_a_ligament_clears_it(
    cast: Cast, operated_on: date, state: str, still: bool
) -> None:
    procedure = staged(cast, NOW, mcl="treated_here")
    factories.an_operation(
        cast.unit, cast.oak, procedure.knee, operated_on=operated_on, injured_on=None, acl=state
    )
    assert shown(cast, DUE, procedure) is still


def test_a_look_before_the_repair_does_not_count(cast: Cast) -> None:
    first = factories.an_operation(cast.unit, cast.oak, operated_on=date(2022, 1, 10))
    record(SecondLook(knee=first.knee, looked_on=date(2023, 1, 10), reason="symptoms"))
    assert shown(cast, DUE, staged(cast, NOW, knee=first.knee))


def test_who_died_or_is_followed_no_longer_is_not_due(cast: Cast) -> None:
    dead, gone = staged(cast, NOW), staged(cast, NOW)
    factories.corrected(dead.knee.patient, died_on=NOW)
    record(EndOfFollowUp(patient=gone.knee.patient, ended_on=NOW, reason="moved"))
    assert "None." in listing(cast, DUE)


# --- Second looks ------------------------------------------------------------------------------


def test_a_ligament_treated_without_a_look_asks_for_it(cast: Cast) -> None:
    procedure = staged(cast, NOW)
    assert not shown(cast, LOOKS, procedure)
    record(Reoperation(knee=procedure.knee, operated_on=NOW, planned=True, other_surgery="ligament"))
    assert shown(cast, LOOKS, procedure)
    assert not shown(cast, DUE, procedure)
    record(SecondLook(knee=procedure.knee, looked_on=NOW, reason="staged"))
    assert not shown(cast, LOOKS, procedure)


def test_a_long_list_shows_twenty_and_counts_all(cast: Cast) -> None:
    for _ in range(21):
        staged(cast, NOW)
    listed = listing(cast, DUE)
    assert "20 of 21" in listed
    assert listed.count("<tr>") == 1 + 20


# --- Changed -----------------------------------------------------------------------------------


def test_what_was_recorded_in_thirty_days_newest_first(cast: Cast) -> None:
    def visit(days: int, hours: int = 0) -> None:
        recorded_at = datetime(2024, 6, 15, 12, tzinfo=UTC) - timedelta(days=days, hours=hours)
        seen_on = date(2024, 5, 1) + timedelta(days=days)
        record(Visit(knee=cast.knee, seen_on=seen_on, recorded_at=recorded_at))

    visit(30)
    visit(30, hours=1)
    visit(2)
    factories.an_operation(
        cast.unit,
        cast.oak,
        cast.knee,
        operated_on=date(2024, 6, 1),
        recorded_at=datetime(2024, 6, 14, tzinfo=UTC),
    )
    listed = listing(cast, RECENT)
    assert "3 in all" in listed
    order = [
        listed.index(words)
        for words in ("Operation of 1 Jun 2024", "Visit of 3 May 2024", "Visit of 31 May 2024")
    ]
    assert order == sorted(order)


def test_what_was_told_and_done_about_reviews_is_listed(cast: Cast) -> None:
    record(
        PatientReport(knee=cast.knee, answered_on=date(2024, 6, 1), operated_again="no"),
        GivenUpReview(knee=cast.knee, given_up_on=date(2024, 6, 2), time_point="6w", reason="declined"),
        BookedVisit(knee=cast.knee, booked_for=date(2024, 7, 3)),
    )
    listed = listing(cast, RECENT)
    for words in (
        "Patient's report of 1 Jun 2024",
        "Review given up, decision of 2 Jun 2024",
        "Visit booked, day of 3 Jul 2024",
    ):
        assert words in listed


def test_reports_and_scores_to_be_verified_are_one_list_newest_first(cast: Cast) -> None:
    answer = {"answered_on": date(2024, 5, 1), "instrument": "lysholm", "reoperated_since": "yes"}
    record(
        PatientReport(knee=cast.knee, answered_on=date(2024, 4, 1), operated_again="unsure", way="paper"),
        ScoreResponse(knee=cast.knee, **answer),
        PatientReport(knee=cast.knee, answered_on=date(2024, 6, 1), operated_again="yes"),
    )
    listed = listing(cast, "Operated on again, says the patient: to be verified")
    assert "3 in all" in listed
    told = ("Yes, in clinic: confirm it", "Yes, with Lysholm: record that operation", "Not sure, from paper")
    places = [listed.index(words) for words in told]
    assert places == sorted(places)


# --- Who sees what -----------------------------------------------------------------------------


def test_another_units_knees_are_not_on_the_page(cast: Cast) -> None:
    yew = factories.a_surgeon(cast.other_unit, "yew")
    theirs = factories.an_operation(
        cast.other_unit,
        yew,
        acl="staged",
        staging="repair_first",
        ligament_planned_on=NOW,
        recorded_at=datetime(2024, 6, 14, tzinfo=UTC),
    )
    factories.a_repair(theirs, vascular_zone="")
    address = f"/knees/{theirs.knee.uuid}/"
    # Due, missing something, and recorded of late.
    assert text(cast.client("stranger").get("/")).count(address) == 3
    assert address not in text(cast.client("surgeon").get("/"))


def test_a_coordinator_sees_counts_and_no_knee(cast: Cast) -> None:
    for _ in range(4):
        factories.a_repair(factories.an_operation(cast.unit, cast.oak))
    factories.an_operation(cast.unit, cast.oak, cast.knee, operated_on=date(2024, 5, 1))
    page = text(cast.client("coordinator").get("/"))
    numbers = [f'<td class="number">{number}</td>' for number in (6, 5, 5)]
    assert f'<th scope="row">Northmere Hospital</th> {" ".join(numbers)}' in page
    assert "/knees/" not in page
    assert "Southmere" not in page


def test_a_count_below_the_units_smallest_is_not_told(cast: Cast) -> None:
    page = text(cast.client("coordinator").get("/"))
    assert page.count("fewer than 5") == 3
    factories.corrected(cast.unit, smallest_count_shown=1)
    assert "fewer than" not in text(cast.client("coordinator").get("/"))


def test_none_at_all_is_told(cast: Cast) -> None:
    ash = factories.a_person("ash", ("coordinator", cast.other_unit))
    client = cast.client("nobody")
    client.force_login(ash)
    assert text(client.get("/")).count('<td class="number">0</td>') == 3


def test_an_administrator_sees_people_and_no_record(cast: Cast) -> None:
    record(Membership(user=cast.audit_lead, unit=cast.unit, role="surgeon"))
    factories.a_surgeon(cast.unit, "yew")
    page = text(cast.client("administrator").get("/"))
    assert '<th scope="row">lead</th> <td>Northmere Hospital</td> <td>Audit lead, Surgeon</td>' in page
    assert '<th scope="row">Dr Yew</th> <td>Northmere Hospital</td> <td>Surgeon, no account</td>' in page
    assert "stranger" not in page
    assert "/knees/" not in page
    assert "<h2>Due</h2>" not in page


def test_an_administrator_with_another_role_sees_that_roles_page(cast: Cast) -> None:
    record(Membership(user=cast.administrator, unit=cast.unit, role="clinician"))
    page = text(cast.client("administrator").get("/"))
    assert "<h2>Due</h2>" in page
    assert "People" not in page


def test_an_administrator_who_coordinates_sees_people_and_counts(cast: Cast) -> None:
    record(Membership(user=cast.administrator, unit=cast.unit, role="coordinator"))
    page = text(cast.client("administrator").get("/"))
    assert "<h2>People</h2>" in page
    assert page.count("fewer than 5") == 3


def test_somebody_without_a_role_is_told_whom_to_ask(cast: Cast) -> None:
    client = cast.client("nobody")
    client.force_login(factories.a_person("newcomer"))
    assert "You have no role in any unit yet." in text(client.get("/"))


# --- Cost --------------------------------------------------------------------------------------


def fill(cast: Cast, knees: int) -> None:
    for _ in range(knees):
        procedure = staged(cast, NOW, recorded_at=datetime(2024, 6, 14, tzinfo=UTC))
        factories.a_repair(procedure, vascular_zone="")
        record(Visit(knee=procedure.knee, seen_on=date(2024, 6, 1)))
        answer = {"answered_on": date(2024, 6, 1), "instrument": "lysholm", "reoperated_since": "yes"}
        record(ScoreResponse(knee=procedure.knee, **answer))
        told = {"answered_on": date(2024, 6, 1), "operated_again": "yes", "fever": True}
        record(PatientReport(knee=procedure.knee, **told))
        Draft(user=cast.surgeon, page=f"/knees/{procedure.knee.uuid}/record/visit/", sealed="sealed").save()


@pytest.mark.parametrize("who", ["surgeon", "coordinator", "administrator"])
def test_the_number_of_queries_does_not_grow_with_the_record(cast: Cast, who: str) -> None:
    client = cast.client(who)

    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            assert client.get("/").status_code == 200
        return len(captured)

    fill(cast, 2)
    few = queries()
    fill(cast, 18)
    for number in range(10):
        factories.a_person(f"beech-{number}", ("surgeon", cast.unit))
    assert User.objects.count() > 15
    assert queries() == few <= QUERIES[who]
