"""The history of a knee: what changed in words, by act, and what is brought back."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from registry.models import (
    Contact,
    Correction,
    EndOfFollowUp,
    IndexProcedure,
    Knee,
    Membership,
    PatientReport,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    SoftAnswer,
    Tear,
    TearReading,
    Visit,
)
from registry.pages.history import ACTS_A_PAGE
from registry.recording import Act, record, sign, withdraw
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text


def address(cast: Cast) -> str:
    return f"/knees/{cast.knee.uuid}/history/"


def a_visit(cast: Cast, day: date = date(2024, 10, 1)) -> Visit:
    visit = Visit(knee=cast.knee, seen_on=day)
    record(visit)
    return visit


def withdrawn(row: Any, cast: Cast) -> Correction:
    """The last correction of withdrawing a row."""
    withdraw(row, Act(cast.clinician, "another knee"))
    last = Correction.objects.last()
    assert last
    return last


def reinstate(cast: Cast, act: Any, who: str = "surgeon", reason: str = "it was this one") -> Any:
    entry = {"act": str(act), f"act-{act}-reason": reason}
    return cast.client(who).post(address(cast), entry, follow=True)


def test_nothing_changed_is_said(cast: Cast) -> None:
    response = cast.client("audit_lead").get(address(cast))
    assert "Nothing was corrected, signed or withdrawn so far." in text(response)
    assert "no-store" in response.headers["Cache-Control"]


def test_acts_are_told_newest_first_with_who_when_and_why(cast: Cast) -> None:
    visit = a_visit(cast)
    factories.corrected(visit, flexion_deg=130)
    factories.corrected(cast.knee.patient, sex="male")
    sign(cast.repair.tear.procedure, cast.surgeon)
    withdrawn(visit, cast)
    page = text(cast.client("audit_lead").get(address(cast)))
    told = [
        "clinician: <strong>another knee</strong>",
        "oak: <strong>Signed</strong>",
        "<dt>Sex</dt>",
        "<dt>Flexion (deg)</dt>",
    ]
    places = [page.index(words) for words in told]
    assert places == sorted(places)
    assert '<span class="tag">Withdrawn</span> Visit of 1 Oct 2024' in page


def test_what_one_act_changed_stands_together(cast: Cast) -> None:
    look = SecondLook(knee=cast.knee, looked_on=date(2024, 10, 1), reason="symptoms")
    record(look, SecondLookFinding(look=look, tear=cast.repair.tear))
    withdrawn(look, cast)
    page = text(cast.client("surgeon").get(address(cast)))
    assert page.count("<strong>another knee</strong>") == 1
    assert page.count('<span class="tag">Withdrawn</span>') == 2
    assert page.count(">Reinstate</button>") == 1


def test_what_was_withdrawn_is_reinstated_with_a_reason(cast: Cast) -> None:
    visit = a_visit(cast)
    act = withdrawn(visit, cast).act
    refused = reinstate(cast, act, reason="")
    assert refused.status_code == 422
    assert "Reason to reinstate is missing. Enter it." in text(refused)
    assert not Visit.objects.exists()
    assert "Reinstated. It counts again." in text(reinstate(cast, act))
    assert Visit.objects.get() == visit
    assert "was reinstated already" in text(reinstate(cast, act))
    assert [each.kind for each in Correction.objects.all()] == ["withdrawn", "reinstated"]


def test_a_score_withdrawn_comes_back(cast: Cast) -> None:
    score = ScoreResponse(knee=cast.knee, answered_on=date(2024, 10, 1), instrument="lysholm")
    record(score)
    act = withdrawn(score, cast).act
    assert "Reinstated. It counts again." in text(reinstate(cast, act))
    assert ScoreResponse.objects.get() == score


def test_what_a_score_comes_to_is_told_by_its_answers_alone(cast: Cast) -> None:
    score = ScoreResponse(knee=cast.knee, answered_on=date(2024, 10, 1), instrument="lysholm")
    record(score)
    factories.corrected(score, items={"limp": 3})
    page = text(cast.client("audit_lead").get(address(cast)))
    assert "Scale values" not in page
    assert "<dt>Limp</dt>" in page


def test_a_patients_words_stay_sealed(cast: Cast) -> None:
    report = PatientReport.sealed(
        {"where": "Willow Clinic"}, knee=cast.knee, answered_on=date(2024, 10, 1), operated_again="yes"
    )
    record(report)
    factories.corrected(report, where_sealed="")
    page = text(cast.client("surgeon").get(address(cast)))
    assert "Sealed" in page
    assert "Willow" not in page


def test_what_would_now_contradict_the_record_is_not_reinstated(cast: Cast) -> None:
    day = date(2024, 10, 1)
    look = SecondLook(knee=cast.knee, looked_on=day, reason="symptoms")
    finding = SecondLookFinding(look=look, tear=cast.repair.tear)
    record(look, finding)
    act = withdrawn(finding, cast).act
    record(SecondLookFinding(look=look, tear=cast.repair.tear, vessels_seen=True))
    response = reinstate(cast, act)
    assert response.status_code == 422
    assert "This tear already has a finding in this second look" in text(response)
    assert SecondLookFinding.objects.get().vessels_seen


def test_a_part_is_not_reinstated_into_what_is_withdrawn(cast: Cast) -> None:
    look = SecondLook(knee=cast.knee, looked_on=date(2024, 10, 1), reason="symptoms")
    finding = SecondLookFinding(look=look, tear=cast.repair.tear)
    record(look, finding)
    first = withdrawn(finding, cast).act
    withdrawn(look, cast)
    response = reinstate(cast, first)
    assert response.status_code == 422
    assert "the look of this row is withdrawn" in text(response)


@pytest.mark.parametrize(
    ("who", "visit_offered", "operation_offered"),
    [("surgeon", True, True), ("clinician", True, False), ("audit_lead", False, False)],
)
def test_who_reinstates_what(cast: Cast, who: str, visit_offered: bool, operation_offered: bool) -> None:
    visit = withdrawn(a_visit(cast), cast).act
    operation = withdrawn(cast.repair.tear.procedure, cast).act
    page = text(cast.client(who).get(address(cast)))
    assert (f'name="act" value="{visit}"' in page) is visit_offered
    assert (f'name="act" value="{operation}"' in page) is operation_offered
    reinstate(cast, operation, who)
    assert IndexProcedure.objects.exists() is operation_offered


def a_second_reading(cast: Cast) -> TearReading:
    elm = factories.a_surgeon(cast.unit, "elm", cast.colleague)
    reading = TearReading(
        tear=cast.repair.tear,
        reader=elm,
        pattern="radial",
        depth="partial",
        radial_location="middle",
        rim_zone=3,
        vascular_zone="WW",
        tissue="frayed",
    )
    record(reading)
    return reading


@pytest.mark.parametrize("whole", ["operation", "tear"])
def test_what_was_read_twice_comes_back_with_its_reading(cast: Cast, whole: str) -> None:
    a_second_reading(cast)
    tear = cast.repair.tear
    act = withdrawn(tear.procedure if whole == "operation" else tear, cast).act
    assert not TearReading.objects.exists()
    assert "Reinstated. It counts again." in text(reinstate(cast, act))
    assert Tear.objects.get() == tear
    assert TearReading.objects.get().tear == tear


def test_a_reading_by_itself_is_not_reinstated_here(cast: Cast) -> None:
    act = withdrawn(a_second_reading(cast), cast).act
    assert "This cannot be reinstated by you" in text(reinstate(cast, act))
    assert not TearReading.objects.exists()


def test_reinstating_takes_the_right_to_withdraw_on_this_very_knee(cast: Cast) -> None:
    """Who leads the audit here and follows up elsewhere sees the knee, and changes nothing of it."""
    Membership(user=cast.audit_lead, unit=cast.other_unit, role="clinician").save()
    end = EndOfFollowUp(patient=cast.knee.patient, ended_on=date(2024, 10, 1), reason="moved")
    record(end)
    acts = [withdrawn(row, cast).act for row in (a_visit(cast), end)]
    page = text(cast.client("audit_lead").get(address(cast)))
    for act in acts:
        assert f'name="act" value="{act}"' not in page
        assert "This cannot be reinstated by you" in text(reinstate(cast, act, "audit_lead"))
        assert "Reinstated. It counts again." in text(reinstate(cast, act, "clinician"))


def test_an_act_of_another_record_is_not_found(cast: Cast) -> None:
    other = factories.an_operation(cast.unit, cast.oak)
    contact = Contact(knee=other.knee, contacted_on=date(2024, 10, 1), source="phone")
    record(contact)
    act = withdrawn(contact, cast).act
    assert reinstate(cast, act).status_code == 404
    assert reinstate(cast, "no-act").status_code == 404


def test_the_other_knee_is_told_to_who_sees_it(cast: Cast) -> None:
    """A knee operated on in another unit alone stays unseen here, though it is the same patient's."""
    right = Knee(patient=cast.knee.patient, side="right")
    record(right)
    yew = factories.a_surgeon(cast.other_unit, "yew")
    factories.corrected(factories.an_operation(cast.other_unit, yew, right), bmi=31)
    assert "BMI" not in text(cast.client("surgeon").get(address(cast)))
    later = factories.OPERATED_ON + timedelta(days=90)
    factories.an_operation(cast.unit, cast.oak, right, operated_on=later)
    assert "BMI" in text(cast.client("surgeon").get(address(cast)))


def test_an_answer_about_a_look_belongs_to_the_look(cast: Cast) -> None:
    look = SecondLook(knee=cast.knee, looked_on=date(2024, 10, 1), reason="symptoms")
    answer = SoftAnswer(look=look, tear=cast.repair.tear, code="healed_yet_unstable", answer="as seen")
    record(look, answer)
    factories.corrected(answer, answer="seen twice")
    assert "seen twice" in text(cast.client("surgeon").get(address(cast)))


def test_many_acts_come_in_pages_and_take_no_more_queries(cast: Cast) -> None:
    client, counts = cast.client("surgeon"), []
    client.get(address(cast))  # notes the opening, once a day
    for days in (range(2), range(2, ACTS_A_PAGE + 2)):
        for day in days:
            visit = a_visit(cast, date(2024, 10, 1) + timedelta(days=day))
            factories.corrected(visit, lachman=1)
            withdrawn(visit, cast)
        with CaptureQueriesContext(connection) as queries:
            page = text(client.get(address(cast)))
        counts.append(len(queries))
    assert counts[0] == counts[1]
    assert f"1 to {ACTS_A_PAGE} of {2 * (ACTS_A_PAGE + 2)}" in page
    assert 'href="?page=2"' in page
