"""What a patient told: on Today until an operation on record confirms it, or it is set aside, or seen to."""

from datetime import date
from typing import Any

import pytest

from registry.models import Correction, IndexProcedure, PatientReport, Reoperation
from registry.recording import latest_correction, record
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text

ANSWERED_ON = date(2025, 6, 1)
OPERATED_ON = date(2025, 3, 3)
WORDS = {"where": "Willow Clinic", "when": "last March", "what": "they trimmed it"}
TO_VERIFY = "Operated on again, says the patient: to be verified"
WARNINGS = "Warning signs told by patients"
PHONED = "Phoned, seen in clinic the same day"


def a_report(cast: Cast, **fields: Any) -> PatientReport:
    told = {"knee": cast.knee, "answered_on": ANSWERED_ON, "operated_again": "yes", "way": "link", **fields}
    report = PatientReport.sealed(WORDS, **told)
    record(report)
    return report


def a_reoperation(cast: Cast, day: date = OPERATED_ON) -> Reoperation:
    again = Reoperation(knee=cast.knee, operated_on=day, other_surgery="hardware")
    record(again)
    return again


def address(report: PatientReport) -> str:
    return f"/knees/{report.knee.uuid}/reports/{report.uuid}/"


def send(cast: Cast, report: PatientReport, act: str, who: str = "clinician", **typed: str) -> Any:
    sent = {"act": act, "correction-seen": str(latest_correction(report)), **typed}
    return cast.client(who).post(address(report), sent, follow=True)


def verify(cast: Cast, report: PatientReport, chosen: Any = "", because: str = "", **more: str) -> Any:
    key = str(getattr(chosen, "uuid", chosen))
    fields = {"verify-confirmed_by": key, "verify-no_reoperation_because": because}
    return send(cast, report, "verify", **fields, **more)


def today(cast: Cast, who: str = "clinician") -> str:
    return text(cast.client(who).get("/"))


def to_verify(cast: Cast, who: str = "clinician") -> str:
    return today(cast, who).split(TO_VERIFY, 1)[1].split("</section>")[0]


# --- Who, and what is shown --------------------------------------------------------------------

ROLES = {
    "surgeon": 200,
    "clinician": 200,
    "audit_lead": 403,
    "coordinator": 404,
    "administrator": 404,
    "stranger": 404,
    "nobody": 302,
}


@pytest.mark.parametrize("method", ["get", "post"])
@pytest.mark.parametrize("page", ["", "reoperation/"])
@pytest.mark.parametrize(("who", "status"), ROLES.items())
def test_role_and_page(cast: Cast, who: str, status: int, page: str, method: str) -> None:
    response = getattr(cast.client(who), method)(f"{address(a_report(cast))}{page}")
    # Let in: without saying what is done there is no act, and an empty reoperation is none.
    let_in = {"get": 200, "post": 422 if page else 404}[method]
    assert response.status_code == (let_in if status == 200 else status)
    if status == 200 and method == "get":
        assert "no-store" in response.headers["Cache-Control"]


def test_the_words_stand_here_and_not_in_the_story_or_the_history(cast: Cast) -> None:
    report = a_report(cast)
    factories.corrected(report, what_sealed="")
    report.refresh_from_db()
    page = text(cast.client("clinician").get(address(report)))
    assert "Willow Clinic" in page
    assert "last March" in page
    for other in ("", "history/"):
        assert "Willow Clinic" not in text(cast.client("clinician").get(f"/knees/{cast.knee.uuid}/{other}"))
    assert "Willow Clinic" not in today(cast)


def test_a_report_of_another_knee_or_withdrawn(cast: Cast) -> None:
    report = a_report(cast)
    other = factories.an_operation(cast.unit, cast.oak).knee
    wrong = f"/knees/{other.uuid}/reports/{report.uuid}/"
    assert cast.client("clinician").get(wrong).status_code == 404
    factories.withdrawn(report)
    response = cast.client("clinician").get(address(report))
    assert response.headers["Location"] == f"/knees/{cast.knee.uuid}/history/"


# --- Verified ----------------------------------------------------------------------------------


def test_it_is_on_today_until_it_is_confirmed(cast: Cast) -> None:
    report, again = a_report(cast), a_reoperation(cast)
    assert f'<a href="{address(report)}">' in to_verify(cast)
    assert "Yes, by the patient's link" in to_verify(cast)
    page = text(cast.client("clinician").get(address(report)))
    assert "Reoperation of 3 Mar 2025: hardware" in page
    done = verify(cast, report, again)
    assert done.redirect_chain == [(f"/knees/{cast.knee.uuid}/", 302)]
    assert "Confirmed by the reoperation of 3 Mar 2025" in text(done)
    assert "None." in to_verify(cast)
    assert PatientReport.objects.get().reoperation == again
    assert Correction.objects.get().reason == "Confirmed by the reoperation of 3 Mar 2025"


def test_a_later_operation_here_confirms_it_and_the_first_does_not(cast: Cast) -> None:
    report = a_report(cast)
    first = cast.repair.tear.procedure
    later = factories.an_operation(cast.unit, cast.oak, cast.knee, operated_on=OPERATED_ON, injured_on=None)
    page = text(cast.client("clinician").get(address(report)))
    assert str(later.uuid) in page
    assert str(first.uuid) not in page
    assert verify(cast, report, first).status_code == 422
    verify(cast, report, later)
    assert PatientReport.objects.get().operation == later


def test_what_came_after_the_answer_is_not_offered(cast: Cast) -> None:
    report = a_report(cast)
    after = a_reoperation(cast, date(2025, 6, 2))
    same_day = a_reoperation(cast, ANSWERED_ON)
    page = text(cast.client("clinician").get(address(report)))
    assert str(after.uuid) not in page
    assert str(same_day.uuid) in page
    assert verify(cast, report, after).status_code == 422
    assert PatientReport.objects.get().reoperation is None


def test_it_is_set_aside_with_a_reason_alone(cast: Cast) -> None:
    report = a_report(cast, operated_again="unsure")
    assert "Not sure" in to_verify(cast)
    refused = verify(cast, report, "set-aside")
    assert refused.status_code == 422
    assert "Say why this is not another operation on this knee" in text(refused)
    assert "to be confirmed" not in to_verify(cast)
    done = verify(cast, report, "set-aside", "An injection, says the clinic")
    assert "Set aside: An injection, says the clinic" in text(done)
    assert "None." in to_verify(cast)


def test_a_reason_beside_an_operation_is_refused(cast: Cast) -> None:
    report, again = a_report(cast), a_reoperation(cast)
    refused = verify(cast, report, again, "An injection")
    assert refused.status_code == 422
    assert "'An injection' says why there was no other operation" in text(refused)
    assert not Correction.objects.exists()


def test_a_verification_is_taken_back(cast: Cast) -> None:
    report, again = a_report(cast), a_reoperation(cast)
    verify(cast, report, again)
    verify(cast, report)
    assert PatientReport.objects.get().reoperation is None
    assert f'<a href="{address(report)}">' in to_verify(cast)
    assert [each.reason for each in Correction.objects.order_by("pk")][1] == "Not verified yet"


def test_a_no_asks_for_nothing(cast: Cast) -> None:
    report = a_report(cast, operated_again="no")
    page = text(cast.client("clinician").get(address(report)))
    assert "Save the verification" not in page
    assert "Mark as seen to" not in page
    assert verify(cast, report, "set-aside", "x").status_code == 404


def test_the_reoperation_is_recorded_and_leads_back(cast: Cast) -> None:
    report = a_report(cast)
    path = f"{address(report)}reoperation/"
    typed = {"operated_on": "2025-03-03", "other_surgery": "hardware"}
    response = cast.client("clinician").post(path, typed)
    assert response.headers["Location"] == address(report)
    again = Reoperation.objects.get()
    # On record, but nobody said yet that it is what the patient meant.
    assert PatientReport.objects.get().reoperation is None
    verify(cast, report, again)
    assert "None." in to_verify(cast)


def test_the_second_of_two_sees_what_the_first_decided(cast: Cast) -> None:
    report, again = a_report(cast), a_reoperation(cast)
    verify(cast, report, again)
    response = verify(cast, report, "set-aside", "A clinic visit", **{"correction-seen": "0"})
    assert response.status_code == 409
    page = text(response)
    assert "Somebody else changed this while you had it open" in page
    assert "Confirmed by the reoperation of 3 Mar 2025" in page
    assert PatientReport.objects.get().reoperation == again


def test_what_confirms_a_report_stays_as_it_is_in_words(cast: Cast) -> None:
    report, again = a_report(cast), a_reoperation(cast)
    verify(cast, report, again)
    client = cast.client("clinician")
    withdraw = text(client.get(f"/knees/{cast.knee.uuid}/withdraw/reoperation/{again.uuid}/"))
    assert "It confirms the patient's report of 1 Jun 2025." in withdraw
    moved = {"operated_on": "2025-06-02", "other_surgery": "hardware", "correction-reason": "wrong day"}
    seen = {"correction-seen": str(latest_correction(again))}
    response = client.post(f"/knees/{cast.knee.uuid}/record/reoperation/{again.uuid}/", {**moved, **seen})
    assert response.status_code == 422
    assert "This operation confirms the patient's report of 1 Jun 2025" in text(response)


def test_a_later_operation_that_confirms_a_report_says_so(cast: Cast) -> None:
    report = a_report(cast)
    later = factories.an_operation(cast.unit, cast.oak, cast.knee, operated_on=OPERATED_ON, injured_on=None)
    verify(cast, report, later)
    page = text(cast.client("surgeon").get(f"/knees/{cast.knee.uuid}/withdraw/operation/{later.uuid}/"))
    assert "It confirms the patient's report of 1 Jun 2025." in page
    assert IndexProcedure.objects.filter(pk=later.pk).exists()


# --- Warning signs -----------------------------------------------------------------------------


def test_warning_signs_are_first_on_today_until_somebody_saw_to_them(cast: Cast) -> None:
    assert WARNINGS not in today(cast)
    report = a_report(cast, operated_again="no", fever=True, locked_knee=True)
    page = today(cast)
    assert page.index(WARNINGS) < page.index("<h2>Due</h2>")
    listed = page.split(WARNINGS, 1)[1].split("</section>")[0]
    assert f'<a href="{address(report)}">' in listed
    assert "Fever, locked knee" in listed
    assert "1 Jun 2025" in listed
    refused = send(cast, report, "signs", **{"signs-what_was_done": " "})
    assert refused.status_code == 422
    assert "What was done is missing. Enter it." in text(refused)
    send(cast, report, "signs", **{"signs-what_was_done": PHONED})
    assert WARNINGS not in today(cast)
    assert Correction.objects.get().reason == PHONED
    page = text(cast.client("clinician").get(address(report)))
    assert PHONED in page
    assert "Mark as seen to" not in page


def test_of_two_who_see_to_signs_the_second_is_told(cast: Cast) -> None:
    report = a_report(cast, fever=True)
    send(cast, report, "signs", **{"signs-what_was_done": PHONED})
    again = send(cast, report, "signs", **{"signs-what_was_done": "Called", "correction-seen": "0"})
    assert again.status_code == 409
    assert PHONED in text(again)
    assert Correction.objects.count() == 1


def test_signs_not_told_cannot_be_seen_to(cast: Cast) -> None:
    report = a_report(cast)
    assert send(cast, report, "signs", **{"signs-what_was_done": PHONED}).status_code == 404


def test_an_audit_lead_is_led_to_the_story_instead(cast: Cast) -> None:
    report = a_report(cast, fever=True)
    page = today(cast, "audit_lead")
    assert address(report) not in page
    assert page.count(f'<a href="/knees/{cast.knee.uuid}/">') >= 2
    assert WARNINGS not in today(cast, "stranger")


def test_every_warning_sign_is_listed(cast: Cast) -> None:
    for number in range(25):
        factories.corrected(a_report(cast, answered_on=date(2025, 6, 1 + number)), calf_pain=True)
    assert "25 in all" in today(cast).split(WARNINGS, 1)[1].split("</section>")[0]
