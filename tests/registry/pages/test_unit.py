"""The Unit page: who may change a unit's settings, plan and surgeons, and that every change is told."""

import re
from datetime import date
from typing import Any

import pytest
import time_machine
from django.conf import settings
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from registry.models import Correction, GradePeriod, Membership, PlannedTimePoint, Surgeon, Unit
from registry.recording import Act, correct, latest_correction, record
from registry.rules.schedule import DEFAULT_PLAN
from registry.scoring import INSTRUMENTS
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text

pytestmark = pytest.mark.django_db

UNIT = "/units/northmere/"
SETTINGS, PLAN, SURGEONS = f"{UNIT}settings/", f"{UNIT}plan/", f"{UNIT}surgeons/"
OAK = f"{SURGEONS}oak/"
GRADES = f"{OAK}grades/"
WHY = {"correction-reason": "Decided by the board", "correction-seen": "0"}
TYPED = {
    "name": "Northmere Hospital",
    "time_zone": "UTC",
    "smallest_count_shown": "5",
    "late_entry_after_days": "90",
    "hka_limit_deg": "5.0",
    "healed_cleft_below_percent": "10",
    "failed_cleft_from_percent": "50",
}
DEFAULT: dict[str, Any] = {
    f"{review.code}-{name}": getattr(review, name)
    for review in DEFAULT_PLAN
    for name in ("due_day", "window_days", "instruments")
}
SURGEON = {"name": "Dr Oak", "independent_since": ""}


def send(cast: Cast, path: str, who: str = "administrator", **typed: Any) -> Any:
    return cast.client(who).post(path, {**WHY, **typed})


def set_to(cast: Cast, **changes: str) -> Any:
    return send(cast, SETTINGS, **{**TYPED, **changes})


def planned(cast: Cast, **changes: Any) -> Any:
    return send(cast, PLAN, **{**DEFAULT, **changes})


def plan() -> list[tuple[str, int, int]]:
    rows = PlannedTimePoint.objects.order_by("due_day")
    return list(rows.values_list("time_point", "due_day", "window_days"))


def shown(cast: Cast, path: str = UNIT) -> str:
    return text(cast.client("administrator").get(path))


def seen_on(page: str) -> str:
    found = re.search(r'name="correction-seen" value="(\d+)"', page)
    assert found
    return found[1]


# --- Whose page it is --------------------------------------------------------------------------

ROLES = {
    "administrator": 200,
    "surgeon": 403,
    "colleague": 403,
    "clinician": 403,
    "audit_lead": 403,
    "coordinator": 403,
    "stranger": 404,
    "nobody": 302,
}
PATHS = (UNIT, SETTINGS, PLAN, SURGEONS, OAK, GRADES)


@pytest.mark.parametrize(("who", "status"), ROLES.items())
@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("method", ["get", "post"])
def test_role_and_page(cast: Cast, who: str, status: int, path: str, method: str) -> None:
    response = getattr(cast.client(who), method)(path)
    # Let in, an empty form is told what is missing.
    told = 422 if (method, status) == ("post", 200) and path != UNIT else status
    assert response.status_code == told
    assert status != 200 or "no-store" in response.headers["Cache-Control"]


@pytest.mark.parametrize("who", ["surgeon", "stranger", "coordinator"])
def test_the_way_in_is_for_administrators(cast: Cast, who: str) -> None:
    assert cast.client("administrator").get("/units/").headers["Location"] == UNIT
    assert cast.client(who).get("/units/").status_code == 403
    assert '<a href="/units/"' in shown(cast, "/")
    assert '<a href="/units/"' not in text(cast.client(who).get("/"))


def test_who_manages_two_units_chooses(cast: Cast) -> None:
    record(Membership(user=cast.administrator, unit=cast.other_unit, role="administrator"))
    listed = shown(cast, "/units/")
    assert UNIT in listed
    assert "/units/southmere/" in listed


@pytest.mark.parametrize("path", ["/units/eastmere/", f"{SURGEONS}yew/", f"{SURGEONS}elm/", f"{GRADES}999/"])
def test_what_does_not_exist_or_is_another_units(cast: Cast, path: str) -> None:
    factories.a_surgeon(cast.other_unit, "yew")
    assert cast.client("administrator").get(path).status_code == 404


@pytest.mark.parametrize("path", [SETTINGS, SURGEONS, OAK])
def test_what_lets_somebody_see_results_asks_who_one_is_first(cast: Cast, path: str) -> None:
    client = cast.client("administrator")
    typed = {**TYPED, **WHY, "lead_sees_surgeon_results": "on", "code": "S02", "user": str(cast.colleague.pk)}
    with time_machine.travel(timezone.now() + settings.CONFIRM_WITHIN):
        assert client.get(path).headers["Location"].startswith("/confirm/")
        late = client.post(path, typed)
    assert late.status_code == 403
    assert "<h1>Confirm that it is you</h1>" in text(late)
    assert not Correction.objects.exists()
    assert not Unit.objects.get(code="northmere").lead_sees_surgeon_results
    assert Surgeon.objects.get().user == cast.surgeon
    assert client.post(path, typed).status_code == 302, "the same, of who showed it lately"
    assert Correction.objects.exists()


# --- Settings ----------------------------------------------------------------------------------


def test_settings_are_changed_with_who_and_why(cast: Cast) -> None:
    changes = {
        "name": "Northmere General",
        "time_zone": "Europe/Oslo",
        "smallest_count_shown": "10",
        "late_entry_after_days": "60",
        "hka_limit_deg": "3.5",
        "healed_cleft_below_percent": "5",
        "failed_cleft_from_percent": "40",
        "lead_sees_surgeon_results": "on",
        "ligament_restarts_reviews": "on",
    }
    assert set_to(cast, **changes).headers["Location"] == UNIT
    unit = Unit.objects.get(code="northmere")
    assert {name: str(getattr(unit, name)) for name in changes} == {
        **changes,
        "lead_sees_surgeon_results": "True",
        "ligament_restarts_reviews": "True",
    }
    told = Correction.objects.get()
    assert (told.kind, told.made_by, told.reason) == ("corrected", cast.administrator, "Decided by the board")
    assert told.before["time_zone"] == "UTC"
    page = shown(cast)
    for said in ("Northmere General", "Europe/Oslo", "Decided by the board", "Northmere Hospital"):
        assert said in page


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"name": " "}, "Name is missing. Enter it."),
        ({"time_zone": "Europe/Atlantis"}, "Europe/Atlantis is no time zone of the time-zone database."),
        ({"time_zone": "posix/UTC"}, "posix/UTC is no time zone"),
        ({"smallest_count_shown": "0"}, "Smallest count 0 is outside 1 to 50."),
        ({"late_entry_after_days": "soon"}, "Enter a whole number."),
        ({"hka_limit_deg": "16"}, "Limit of varus 16 is outside 0 to 15."),
        ({"healed_cleft_below_percent": "60"}, "the first cannot be the larger. Correct one of them."),
        ({"name": "Northmere General", "correction-reason": " "}, "Reason for the correction is missing."),
    ],
    ids=str,
)
def test_bad_settings_are_refused_in_words(cast: Cast, changes: dict[str, str], said: str) -> None:
    response = set_to(cast, **changes)
    assert response.status_code == 422
    assert said in text(response)
    assert not Correction.objects.exists()
    assert Unit.objects.get(code="northmere").version == 1


def test_the_code_never_changes(cast: Cast) -> None:
    assert 'name="code"' not in shown(cast, SETTINGS)
    set_to(cast, name="Northmere General", code="eastmere")
    assert Unit.objects.get(name="Northmere General").code == "northmere"


def test_nothing_changed_leaves_no_trace(cast: Cast) -> None:
    page = cast.client("administrator").post(SETTINGS, {**TYPED, **WHY}, follow=True)
    assert "Nothing was changed" in text(page)
    assert not Correction.objects.exists()


def test_a_time_zone_set_elsewhere_stays_choosable(cast: Cast) -> None:
    factories.corrected(cast.unit, time_zone="EST5EDT")
    assert '<option value="EST5EDT" selected>' in shown(cast, SETTINGS)
    seen = {"correction-seen": str(latest_correction(cast.unit))}
    assert set_to(cast, time_zone="EST5EDT", name="Northmere General", **seen).status_code == 302


def test_the_second_of_two_sees_what_the_first_changed(cast: Cast) -> None:
    set_to(cast, smallest_count_shown="8")
    response = set_to(cast, smallest_count_shown="12")
    page = text(response)
    assert response.status_code == 409
    assert "Somebody else changed this while you had it open." in page
    assert Unit.objects.get(code="northmere").smallest_count_shown == 8
    assert set_to(cast, smallest_count_shown="12", **{"correction-seen": seen_on(page)}).status_code == 302
    assert Unit.objects.get(code="northmere").smallest_count_shown == 12


# --- The plan ----------------------------------------------------------------------------------


def test_without_its_own_a_unit_follows_the_default_plan(cast: Cast) -> None:
    page = shown(cast)
    assert "it follows the default plan" in page
    assert '<th scope="row">6 weeks</th> <td class="number">42</td> <td class="number">28</td>' in page
    assert 'value="42"' in shown(cast, PLAN)
    assert plan() == []


def test_a_plan_of_its_own(cast: Cast) -> None:
    changes = {"6w-due_day": "40", "3m-due_day": "", "3m-window_days": ""}
    assert planned(cast, **changes).headers["Location"] == UNIT
    assert plan()[:2] == [("6w", 40, 14), ("6m", 183, 42)]
    assert len(plan()) == 6
    told = Correction.objects.all()
    assert {(each.kind, each.made_by, each.reason) for each in told} == {
        ("added", cast.administrator, "Decided by the board")
    }
    page = shown(cast)
    assert "it follows the default plan" not in page
    assert "6 weeks of Northmere Hospital" in page


def test_a_plan_is_changed_shortened_and_given_up(cast: Cast) -> None:
    planned(cast)
    assert len(plan()) == 7
    send(
        cast,
        PLAN,
        **{"6w-due_day": "45", "6w-window_days": "10", "correction-seen": seen_on(shown(cast, PLAN))},
    )
    assert plan() == [("6w", 45, 10)]
    assert Correction.objects.filter(kind="withdrawn").count() == 6
    assert Correction.objects.filter(kind="corrected").count() == 1
    page = cast.client("administrator").post(
        PLAN, {**WHY, "correction-seen": seen_on(shown(cast, PLAN))}, follow=True
    )
    assert "The unit follows the default plan." in text(page)
    assert plan() == []
    assert PlannedTimePoint.ever.count() == 7


def asked() -> dict[str, list[str]]:
    return dict(PlannedTimePoint.objects.values_list("time_point", "instruments"))


def test_what_a_review_asks_is_chosen_and_told_by_name(cast: Cast) -> None:
    page = shown(cast, PLAN)
    assert '<input type="checkbox" name="6w-instruments" value="pain_nrs"' in page
    assert page.count("<summary>Asked: KOOS</summary>") == 6
    # In the order of the table, however they are sent.
    assert planned(cast, **{"6w-instruments": ["eq5d5l", "koos"], "3m-instruments": []}).status_code == 302
    assert asked()["6w"] == ["koos", "eq5d5l"]
    assert asked()["3m"] == []
    assert asked()["6m"] == ["koos"]
    assert '<td class="number">KOOS, EQ-5D-5L</td>' in shown(cast)
    assert '<td class="number">none</td>' in shown(cast)
    # Every instrument is offered at every review, in the order of the table.
    offered = re.findall(r'name="24m-instruments" value="(\w+)"', shown(cast, PLAN))
    assert offered == list(INSTRUMENTS)


def test_an_instrument_that_there_is_not_is_refused(cast: Cast) -> None:
    response = planned(cast, **{"6w-instruments": ["koos", "koos13"]})
    assert response.status_code == 422
    assert "koos13 is not one of the available choices" in text(response)
    assert "<details open>" in text(response)
    assert plan() == []


def test_forms_asked_are_part_of_what_two_planners_compare(cast: Cast) -> None:
    planned(cast)
    page = text(planned(cast, **{"6w-instruments": ["tegner"]}))
    assert f"Day 42, 14 days each way; asked: {INSTRUMENTS['pain_nrs'].name}" in page
    assert "Day 42, 14 days each way; asked: Tegner" in page


def test_the_default_plan_is_copied(cast: Cast) -> None:
    record(PlannedTimePoint(unit=cast.unit, time_point="6w", due_day=30, window_days=3))
    assert send(cast, PLAN, default="yes", **{"6w-due_day": "not used"}).status_code == 302
    assert plan() == [(review.code, review.due_day, review.window_days) for review in DEFAULT_PLAN]
    page = cast.client("administrator").post(
        PLAN, {**WHY, "correction-seen": seen_on(shown(cast, PLAN)), "default": "yes"}, follow=True
    )
    assert "Nothing was changed" in text(page)
    assert len(plan()) == 7


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"6w-due_day": ""}, "Enter both, or leave both empty to leave it out."),
        ({"6w-window_days": ""}, "Enter both, or leave both empty to leave it out."),
        ({"6w-due_day": "0"}, "Day 0 is outside 1 to 7305."),
        ({"6w-window_days": "-1"}, "Window -1 is outside 0 to 366."),
        ({"6w-due_day": "six weeks"}, "Enter a whole number."),
        (
            {"6w-window_days": "21"},
            "The window of 3 months begins on day 63, before that of 6 weeks has ended on day 63. Let one",
        ),
        (
            {"3m-due_day": "20"},
            "The window of 3 months begins on day -8, before that of 6 weeks has ended on day 56.",
        ),
        ({"correction-reason": ""}, "Reason for the correction is missing."),
    ],
    ids=str,
)
def test_a_bad_plan_is_refused_in_words_and_saves_nothing(
    cast: Cast, changes: dict[str, str], said: str
) -> None:
    response = planned(cast, **changes)
    assert response.status_code == 422
    assert said in text(response)
    assert plan() == []
    assert not Correction.objects.exists()


def test_the_second_of_two_planners_sees_what_the_first_changed(cast: Cast) -> None:
    planned(cast)
    response = planned(cast, **{"6w-due_day": "40"})
    page = text(response)
    assert response.status_code == 409
    assert "Somebody else changed this while you had it open." in page
    assert "Day 42, 14 days each way" in page
    assert "Day 40, 14 days each way" in page
    assert plan()[0] == ("6w", 42, 14)
    assert planned(cast, **{"6w-due_day": "40", "correction-seen": seen_on(page)}).status_code == 302
    assert plan()[0] == ("6w", 40, 14)


def test_a_change_of_settings_does_not_disturb_the_plan(cast: Cast) -> None:
    planned(cast)
    seen = seen_on(shown(cast, PLAN))
    set_to(cast, smallest_count_shown="8")
    assert planned(cast, **{"6w-due_day": "40", "correction-seen": seen}).status_code == 302


# --- Surgeons ----------------------------------------------------------------------------------


def test_a_surgeon_is_added_to_the_unit(cast: Cast) -> None:
    typed = {
        "code": "S02",
        "name": "Dr Elm",
        "user": str(cast.colleague.pk),
        "independent_since": "2019-09-01",
    }
    assert send(cast, SURGEONS, **typed).headers["Location"] == f"{SURGEONS}S02/grades/"
    elm = Surgeon.objects.get(code="S02")
    assert (elm.name, elm.user, elm.independent_since) == ("Dr Elm", cast.colleague, date(2019, 9, 1))
    assert list(elm.units.all()) == [cast.unit]
    assert Correction.objects.get().made_by == cast.administrator
    page = shown(cast)
    assert "Dr Elm" in page
    assert "1 Sep 2019" in page


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"code": "oak"}, "Code oak is another surgeon's, here or in another unit. Choose another code."),
        ({"code": "S 2"}, "Enter a valid"),
        ({"code": ""}, "Code is missing. Enter it."),
        ({"name": ""}, "Name is missing. Enter it."),
        ({"independent_since": "last year"}, "Enter a valid date."),
        (
            {"user": "surgeon"},
            "This account is not that of a surgeon of this unit, or is another surgeon's already.",
        ),
        ({"user": "clinician"}, "This account is not that of a surgeon of this unit"),
        ({"user": "stranger"}, "This account is not that of a surgeon of this unit"),
    ],
    ids=str,
)
def test_a_bad_surgeon_is_refused_in_words(cast: Cast, changes: dict[str, str], said: str) -> None:
    if "user" in changes:
        changes = {"user": str(getattr(cast, changes["user"]).pk)}
    response = send(cast, SURGEONS, **{"code": "S02", "name": "Dr Elm", **changes})
    assert response.status_code == 422
    assert said in text(response)
    assert Surgeon.objects.count() == 1


def test_a_surgeon_is_corrected_with_a_reason(cast: Cast) -> None:
    typed = {"name": "Dr Oakley", "user": str(cast.surgeon.pk), "independent_since": "2015-01-01"}
    assert send(cast, OAK, **typed, **{"correction-reason": " "}).status_code == 422
    assert send(cast, OAK, **typed).headers["Location"] == UNIT
    oak = Surgeon.objects.get()
    assert (oak.name, oak.code, oak.user) == ("Dr Oakley", "oak", cast.surgeon)
    told = Correction.objects.get()
    assert (told.made_by, told.reason) == (cast.administrator, "Decided by the board")
    assert "Dr Oakley" in shown(cast)


def test_an_account_is_taken_off_and_another_one_linked(cast: Cast) -> None:
    send(cast, OAK, **SURGEON, user="")
    assert Surgeon.objects.get().user is None
    send(cast, OAK, **SURGEON, user=str(cast.colleague.pk), **{"correction-seen": seen_on(shown(cast, OAK))})
    assert Surgeon.objects.get().user == cast.colleague


def test_whose_results_another_unit_holds_keeps_the_account(cast: Cast) -> None:
    cast.oak.units.add(cast.other_unit)
    page = shown(cast, OAK)
    assert "also works in a unit that you do not manage" in page
    assert 'name="user"' not in page
    assert send(cast, OAK, **{**SURGEON, "name": "Dr Oakley"}, user=str(cast.colleague.pk)).status_code == 302
    oak = Surgeon.objects.get()
    assert (oak.name, oak.user) == ("Dr Oakley", cast.surgeon)


# --- Grades ------------------------------------------------------------------------------------


def test_a_grade_is_added_and_the_latest_shown(cast: Cast) -> None:
    send(cast, GRADES, grade="consultant", since="2020-04-01")
    assert send(cast, GRADES, grade="specialist", since="2015-04-01").headers["Location"] == OAK
    assert [str(grade) for grade in cast.oak.grades.all()] == [
        "Specialist since 1 Apr 2015",
        "Consultant since 1 Apr 2020",
    ]
    assert {told.made_by for told in Correction.objects.all()} == {cast.administrator}
    page = shown(cast)
    assert "<td> Consultant </td>" in page
    assert "Dr Oak: Specialist since 1 Apr 2015" in page


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"since": "2020-04-01"}, "A grade from that day is on record. Change that one."),
        ({"since": "2999-01-01"}, "lies in the future"),
        ({"since": ""}, "Since is missing. Enter it."),
        ({"since": "1 April"}, "Enter a valid date."),
        ({"grade": "professor"}, "professor is not one of the available choices"),
        ({"grade": ""}, "Grade is missing. Enter it."),
    ],
    ids=str,
)
def test_a_bad_grade_is_refused_in_words(cast: Cast, changes: dict[str, str], said: str) -> None:
    record(GradePeriod(surgeon=cast.oak, grade="consultant", since=date(2020, 4, 1)))
    response = send(cast, GRADES, **{"grade": "fellow", "since": "2012-04-01", **changes})
    assert response.status_code == 422
    assert said in text(response)
    assert GradePeriod.objects.count() == 1


def test_a_grade_is_withdrawn_with_a_reason(cast: Cast) -> None:
    record(grade := GradePeriod(surgeon=cast.oak, grade="consultant", since=date(2020, 4, 1)))
    path = f"{GRADES}{grade.pk}/"
    assert path in shown(cast, OAK)
    assert "Withdraw: Dr Oak, Consultant since 1 Apr 2020" in shown(cast, path)
    assert send(cast, path, reason=" ").status_code == 422
    assert send(cast, path, reason="Was a specialist").headers["Location"] == OAK
    assert not GradePeriod.objects.exists()
    assert Correction.objects.get().reason == "Was a specialist"
    assert send(cast, path, reason="Again").status_code == 404


def test_a_grade_of_another_surgeon_is_not_reached(cast: Cast) -> None:
    yew = factories.a_surgeon(cast.other_unit, "yew")
    record(grade := GradePeriod(surgeon=yew, grade="consultant", since=date(2020, 4, 1)))
    assert send(cast, f"{GRADES}{grade.pk}/", reason="Mine now").status_code == 404
    assert GradePeriod.objects.exists()


# --- People and changes ------------------------------------------------------------------------


def test_people_and_their_roles_are_listed(cast: Cast) -> None:
    page = shown(cast).split('id="people"')[1]
    for who, role in (("oak", "Surgeon"), ("clinician", "Follow-up clinician"), ("lead", "Audit lead")):
        assert f'<th scope="row">{who}</th> <td>{role}</td>' in page
    assert "stranger" not in page


def test_another_units_changes_are_not_told(cast: Cast) -> None:
    yew = factories.a_surgeon(cast.other_unit, "yew")
    record(grade := GradePeriod(surgeon=yew, grade="fellow", since=date(2019, 1, 1)))
    for row in (cast.other_unit, yew):
        factories.corrected(row, name="Somewhere else")
    factories.withdrawn(grade)
    assert "Nothing has been changed yet." in shown(cast)


def test_changes_are_told_by_name_to_who_manages_the_unit(cast: Cast) -> None:
    cast.unit.name = "Northmere General"
    correct(cast.unit, act=Act(cast.administrator, "Renamed"))
    assert "administrator: Renamed" in shown(cast)


def test_more_surgeons_and_changes_ask_no_more_queries(cast: Cast) -> None:
    def queries(path: str) -> int:
        client = cast.client("administrator")
        with CaptureQueriesContext(connection) as asked:
            assert client.get(path).status_code == 200
        return len(asked)

    def grow(*codes: str) -> None:
        for year, code in enumerate(codes, start=2001):
            surgeon = factories.a_surgeon(cast.unit, code, factories.a_person(code, ("surgeon", cast.unit)))
            for row in (surgeon, cast.oak):
                held = GradePeriod(surgeon=row, grade="fellow", since=date(year, len(codes), 1))
                correct(held, act=Act(cast.administrator, "Entered"))
            factories.corrected(surgeon, name=f"Dr {code}")

    paths = (UNIT, SETTINGS, PLAN, OAK)
    grow("ash")
    before = [queries(path) for path in paths]
    grow("fir", "box", "may", "nut")
    assert [queries(path) for path in paths] == before
