"""Paper forms keyed in: once, or twice and compared; report and answers recorded together or not at all."""

import re
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from registry.models import PatientReport, ScoreResponse
from registry.pages.keyed_entry import UNREADABLE
from registry.recording import record
from registry.scoring import INSTRUMENTS, Instrument
from registry.scoring.paper import SheetCode
from registry.sealing import seal, unseal
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.controls import controls
from tests.registry.pages.entries import Posted, text

DAY = "2024-10-01"
MARX: Posted = {
    "answered_on": DAY, "operated_again": "no",
    "running": "4", "cutting": "3", "decelerating": "2", "pivoting": "1",
}  # fmt: skip
Post = Callable[..., Any]


def address(cast: Cast, code: str = "marx") -> str:
    return f"/knees/{cast.knee.uuid}/keyed/?instrument={code}"


@pytest.fixture
def post(cast: Cast) -> Post:
    def send(page: Posted, code: str = "marx", who: str = "clinician", *, follow: bool = True) -> Any:
        return cast.client(who).post(address(cast, code), page, follow=follow)

    return send


def carried(response: Any) -> Posted:
    """The hidden control that brings the passes so far."""
    return {"carried": controls(response, "keyed-form")["carried"][0]}


def nothing_recorded() -> bool:
    return not PatientReport.ever.exists() and not ScoreResponse.ever.exists()


# --- once ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("code", INSTRUMENTS)
def test_every_form_is_keyed_in(post: Post, code: str) -> None:
    instrument: Instrument = INSTRUMENTS[code]
    answers = {item.code: item.allowed[-1] for item in instrument.items}
    typed = {name: str(value) for name, value in answers.items()}
    page = text(post({"answered_on": DAY, "operated_again": "no", **typed}, code))
    score, report = ScoreResponse.objects.get(), PatientReport.objects.get()
    assert (score.items, score.way, score.reoperated_since) == (answers, "paper", "not_asked")
    assert (report.operated_again, report.way, report.answered_on) == ("no", "paper", date(2024, 10, 1))
    assert (
        f"{instrument.name} of 1 Oct 2024 recorded from paper. {len(answers)} of {len(answers)} items" in page
    )


def test_what_is_keyed_in_is_asked_in_the_order_of_the_sheet(cast: Cast) -> None:
    page = text(cast.client("clinician").get(address(cast, "koos")))
    labels = re.findall(r'<label for="id_[A-Z]+\d+"> (\w+): ', page)
    assert labels == [item.code for item in INSTRUMENTS["koos"].items]


def test_an_item_left_empty_is_not_answered(post: Post) -> None:
    page = text(post({**MARX, "pivoting": ""}))
    assert ScoreResponse.objects.get().items == {"running": 4, "cutting": 3, "decelerating": 2}
    assert "3 of 4 items answered. Marx activity: not scorable (3 of 4)." in page


@pytest.mark.parametrize("value", ["5", "-1", "04", "x", "1.0"])
def test_a_value_that_is_none_is_refused_and_nothing_is_saved(post: Post, value: str) -> None:
    response = post({**MARX, "cutting": value})
    assert response.status_code == 422
    assert f"{value} is none of its values: 0, 1, 2, 3, 4. Correct it, or leave it empty." in text(response)
    assert nothing_recorded()


def test_an_empty_sheet_is_none(post: Post) -> None:
    page = text(post({"answered_on": DAY, "operated_again": "no"}))
    assert "No item is answered. Key in the answers of the sheet." in page
    assert "Date of the answers is missing. Enter it." in text(post({}))
    assert nothing_recorded()


def test_another_operation_is_kept_sealed_and_is_to_be_verified(post: Post) -> None:
    words = {"where": "Invented town", "when": "May", "what": "trimmed"}
    page = text(post({**MARX, "operated_again": "yes", **words, "fever": "on"}))
    report = PatientReport.objects.get()
    assert report.opened() == words
    assert "Invented town" not in str(PatientReport.objects.values().get())
    assert report.signs == ["fever"]
    assert report.recorded_by is not None
    assert "it is listed on Today, to be verified" in page
    assert "A warning sign is ticked: it is listed on Today until it is seen to." in page


def test_a_question_left_open_is_no_report(post: Post) -> None:
    post({**MARX, "operated_again": ""})
    assert not PatientReport.objects.exists()
    assert ScoreResponse.objects.get().reoperated_since == "no_answer"


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        (
            {"operated_again": "", "locked_knee": "on"},
            "A warning sign is ticked, so the report has to be kept.",
        ),
        ({"operated_again": "", "what": "trimmed"}, "Choose 'Yes' or 'Not sure', or clear those words."),
        ({"operated_again": "no", "where": "Town"}, "Choose 'Yes' or 'Not sure', or clear those words."),
        ({"answered_on": "2024-02-29"}, "29 Feb 2024 lies before the first operation (1 Mar 2024)"),
        ({"answered_on": "2999-12-31"}, "31 Dec 2999 lies in the future"),
    ],
)
def test_half_a_report_is_refused_in_words(post: Post, typed: Posted, words: str) -> None:
    assert words in text(post({**MARX, **typed}))
    assert nothing_recorded()


def test_a_form_answered_before_the_operation_has_no_report(post: Post) -> None:
    post({**MARX, "answered_on": "2024-02-29", "operated_again": ""})
    assert ScoreResponse.objects.get().answered_on == date(2024, 2, 29)


@pytest.mark.parametrize(("point", "kept"), [("", "6m"), ("12m", "12m")])
def test_the_review_is_the_one_of_the_sheet_or_of_the_date(post: Post, point: str, kept: str) -> None:
    post({**MARX, "answered_on": "2024-08-31", "time_point": point})
    assert PatientReport.objects.get().time_point == kept


def test_a_form_on_record_is_refused_with_its_report(cast: Cast, post: Post) -> None:
    record(
        ScoreResponse(knee=cast.knee, answered_on=date(2024, 10, 1), instrument="marx", items={"running": 1})
    )
    assert "This form was already answered for this knee on that day." in text(post({**MARX, "twice": "on"}))
    assert not PatientReport.objects.exists()


def test_nothing_is_answered_after_death(cast: Cast, post: Post) -> None:
    factories.corrected(cast.knee.patient, died_on=date(2024, 9, 30))
    assert "1 Oct 2024 lies after the patient's death (30 Sep 2024)." in text(post(MARX))
    assert nothing_recorded()


def test_old_paper_is_scored_by_the_old_rule(post: Post) -> None:
    four = {"S1": "0", "S2": "0", "S3": "0", "S4": "0"}
    page = text(post({"answered_on": DAY, "version": "1998", **four}, "koos"))
    assert ScoreResponse.objects.get().instrument_version == "1998"
    assert "Symptoms: not scorable (4 of 7)" in page


# --- twice ---------------------------------------------------------------------------------------


def test_two_passes_that_agree_are_recorded(post: Post) -> None:
    second = post({**MARX, "twice": "on"})
    assert nothing_recorded()
    assert "Key in again: Marx activity" in text(second)
    done = post({**MARX, **carried(second)})
    assert ScoreResponse.objects.get().items == {"running": 4, "cutting": 3, "decelerating": 2, "pivoting": 1}
    assert PatientReport.objects.get().operated_again == "no"
    # The next sheet of the pile is keyed in twice as well.
    assert done.redirect_chain == [("/sheets/?twice=on", 302)]
    assert "checked" in text(done)


def test_the_second_pass_is_blind(post: Post) -> None:
    words = {"operated_again": "yes", "where": "Invented town", "fever": "on"}
    response = post({**MARX, **words, "twice": "on"})
    sent = controls(response, "keyed-form")
    filled = {name: value for name, value in sent.items() if any(value)}
    assert set(filled) == {"csrfmiddlewaretoken", "carried"}
    page = response.content.decode()
    assert "Invented town" not in page
    assert "Invented town" in unseal(filled["carried"][0])


def test_differences_are_settled_one_by_one(post: Post) -> None:
    first = post({**MARX, "where": "Elm town", "operated_again": "yes", "twice": "on"})
    second = {**MARX, "where": "Elm Town", "operated_again": "unsure", "running": "1", "pivoting": ""}
    settling = post({**second, **carried(first)})
    page = text(settling)
    assert "Settle: Marx activity" in page
    for said in ("First time: Yes", "Second time: Not sure", "First time: 4", "Second time: 1"):
        assert said in page
    assert "Second time: Not answered" in page
    assert "cutting" not in page.partition("<form method")[2]
    assert nothing_recorded()
    half = post({"settle-running": "1", **carried(settling)})
    assert half.status_code == 422
    assert "Look at the sheet and choose what stands there." in text(half)
    assert nothing_recorded()
    chosen = {
        "settle-running": "1",
        "settle-pivoting": "0",
        "settle-where": "0",
        "settle-operated_again": "1",
    }
    post({**chosen, **carried(half)})
    assert ScoreResponse.objects.get().items == {"running": 1, "cutting": 3, "decelerating": 2, "pivoting": 1}
    report = PatientReport.objects.get()
    assert (report.operated_again, report.opened()["where"]) == ("unsure", "Elm town")


@pytest.mark.parametrize(
    "change", [{"answered_on": "2024-10-02"}, {"locked_knee": "on"}, {"time_point": "6m"}, {"running": ""}]
)
def test_no_field_escapes_the_comparison(post: Post, change: Posted) -> None:
    words = {"operated_again": "yes"}
    first = post({**MARX, **words, "twice": "on"})
    assert "Settle: Marx activity" in text(post({**MARX, **words, **change, **carried(first)}))
    assert nothing_recorded()


def test_a_slip_in_the_second_pass_is_mended_there(post: Post) -> None:
    first = post({**MARX, "twice": "on"})
    slip = post({**MARX, "running": "7", **carried(first)})
    assert slip.status_code == 422
    assert "Key in again" in text(slip)
    post({**MARX, **carried(slip)})
    assert ScoreResponse.objects.count() == 1


def test_a_report_settled_to_nonsense_is_mended_before_it_is_recorded(post: Post) -> None:
    first = post({**MARX, "operated_again": "yes", "what": "trimmed", "twice": "on"})
    settling = post({**MARX, "operated_again": "no", **carried(first)})
    answer = post({"settle-operated_again": "1", "settle-what": "0", **carried(settling)})
    assert answer.status_code == 422
    assert "clear those words" in text(answer)
    assert 'name="running" value="4"' in text(answer)
    assert nothing_recorded()


@pytest.mark.parametrize(
    "forged", ["guessed", "altered", "of another form", "of another person", "no passes"]
)
def test_passes_that_are_not_of_this_entry_are_not_taken(cast: Cast, post: Post, forged: str) -> None:
    sound = carried(post({**MARX, "twice": "on"}))["carried"]
    token = {"guessed": "guess", "altered": sound[:-2] + "A=", "no passes": seal('"text"')}.get(forged, sound)
    code = "sane" if forged == "of another form" else "marx"
    who = "surgeon" if forged == "of another person" else "clinician"
    page = text(post({**MARX, "percent": "50", "carried": token}, code, who))
    assert UNREADABLE in page
    assert nothing_recorded()


# --- from the code to the page -----------------------------------------------------------------------


def test_the_code_of_a_sheet_opens_its_page(cast: Cast) -> None:
    code = SheetCode.of(cast.knee.uuid, "marx", "12m")
    response = cast.client("clinician").get("/sheets/", {"code": str(code).lower(), "twice": "on"})
    assert (
        response.headers["Location"]
        == f"/knees/{cast.knee.uuid}/keyed/?instrument=marx&time_point=12m&twice=on"
    )
    page = text(cast.client("clinician").get(response.headers["Location"]))
    assert '<option value="12m" selected>' in page
    assert "checked" in page.partition('name="twice"')[2][:40]


@pytest.mark.parametrize("who", ["clinician", "stranger"])
def test_a_code_that_leads_nowhere_is_refused_alike(cast: Cast, who: str) -> None:
    code = SheetCode.of(cast.knee.uuid, "marx", "12m")
    codes = [f"{code.knee[:-1]}{'0' if code.knee[-1] != '0' else '1'}-marx-12m", f"{code.knee}-sand-12m"]
    codes += [f"{code.knee}-marx-13m"] if who == "clinician" else [str(code)]
    for typed in codes:
        response = cast.client(who).get("/sheets/", {"code": typed})
        assert response.status_code == 422
        assert f"No sheet of your unit has the code {SheetCode.read(typed)}." in text(response)


def test_what_is_no_code_is_said(cast: Cast) -> None:
    page = text(cast.client("clinician").get("/sheets/", {"code": "koos"}))
    assert "'koos' is no sheet code. Type it as printed, such as 7F3A9-1C2D0-KOOS-12M." in page
    assert "is missing. Enter it." in text(cast.client("clinician").get("/sheets/", {"code": ""}))


@pytest.mark.parametrize(
    ("who", "status"),
    [("surgeon", 200), ("clinician", 200), ("audit_lead", 403), ("coordinator", 403), ("nobody", 302)],
)
def test_sheets_are_found_by_who_records_follow_up(cast: Cast, who: str, status: int) -> None:
    response = cast.client(who).get("/sheets/")
    assert response.status_code == status
    assert status != 200 or "no-store" in response.headers["Cache-Control"]


def test_a_form_that_is_none_is_refused_in_words(cast: Cast) -> None:
    response = cast.client("clinician").get(address(cast, "kos"))
    assert response.status_code == 422
    assert "kos is not one of the available choices" in text(response)
