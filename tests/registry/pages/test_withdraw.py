"""Withdrawing an entry, and signing an operation note."""

from datetime import date, timedelta
from typing import Any

import pytest

from registry.models import (
    BookedVisit,
    Correction,
    GivenUpReview,
    IndexProcedure,
    PatientReport,
    SecondLook,
    SecondLookFinding,
    Tear,
)
from registry.recording import latest_correction, record
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text

DAY = date(2024, 10, 1)


def a_look(cast: Cast) -> SecondLook:
    look = SecondLook(knee=cast.knee, looked_on=date(2024, 10, 1), reason="symptoms")
    record(look, SecondLookFinding(look=look, tear=cast.repair.tear, healed_thickness_percent=60))
    return look


def address(cast: Cast, kind: str, entry: Any) -> str:
    return f"/knees/{cast.knee.uuid}/withdraw/{kind}/{entry.uuid}/"


def withdraw(cast: Cast, kind: str, entry: Any, who: str = "surgeon", **changes: str) -> Any:
    page = {"correction-seen": str(latest_correction(entry)), "correction-reason": "entered for another knee"}
    return cast.client(who).post(address(cast, kind, entry), {**page, **changes}, follow=True)


def test_the_page_lists_what_goes_along(cast: Cast) -> None:
    page = text(cast.client("clinician").get(address(cast, "second-look", a_look(cast))))
    assert "<h1>Withdraw: second look of 1 Oct 2024</h1>" in page
    assert "<li>Longitudinal-vertical tear, medial meniscus (second look of 1 Oct 2024)</li>" in page
    operation = text(cast.client("surgeon").get(address(cast, "operation", cast.repair.tear.procedure)))
    assert "<li>Repair of longitudinal-vertical tear, medial meniscus</li>" in operation


def test_with_a_reason_it_is_gone_with_its_parts_and_stays_in_the_history(cast: Cast) -> None:
    look = a_look(cast)
    refused = withdraw(cast, "second-look", look, **{"correction-reason": " "})
    assert refused.status_code == 422
    assert "Reason for the withdrawal is missing. Enter it." in text(refused)
    done = withdraw(cast, "second-look", look)
    assert done.redirect_chain == [(f"/knees/{cast.knee.uuid}/", 302)]
    assert "The second look of 1 Oct 2024 is withdrawn." in text(done)
    assert not SecondLook.objects.exists()
    assert not SecondLookFinding.objects.exists()
    assert {each.reason for each in Correction.objects.all()} == {"entered for another knee"}
    again = withdraw(cast, "second-look", look)
    assert "is withdrawn already" in text(again)
    assert Correction.objects.count() == 2


@pytest.mark.parametrize(
    ("kind", "model", "fields", "words"),
    [
        (
            "report",
            PatientReport,
            {"answered_on": DAY, "operated_again": "yes"},
            "patient report of 1 Oct 2024",
        ),
        (
            "given-up-review",
            GivenUpReview,
            {"given_up_on": DAY, "time_point": "6m", "reason": "declined"},
            "given up review of 1 Oct 2024",
        ),
        ("booked-visit", BookedVisit, {"booked_for": DAY}, "visit booked for 1 Oct 2024"),
    ],
)
def test_what_was_told_and_done_about_reviews(
    cast: Cast, kind: str, model: Any, fields: dict[str, Any], words: str
) -> None:
    row = model(knee=cast.knee, **fields)
    record(row)
    story = text(cast.client("clinician").get(f"/knees/{cast.knee.uuid}/"))
    assert f'<a href="{address(cast, kind, row)}">Withdraw' in story
    assert address(cast, kind, row) not in text(cast.client("audit_lead").get(f"/knees/{cast.knee.uuid}/"))
    done = text(withdraw(cast, kind, row, "clinician"))
    assert f"The {words} is withdrawn." in done
    assert "1 withdrawn entry" in done
    assert not model.objects.exists()
    history = f"/knees/{cast.knee.uuid}/history/"
    act = Correction.objects.get().act
    assert ">Reinstate</button>" in text(cast.client("clinician").get(history))
    again = {"act": str(act), f"act-{act}-reason": "it was this knee"}
    assert "Reinstated. It counts again." in text(cast.client("clinician").post(history, again, follow=True))
    assert model.objects.get() == row


def test_what_was_done_about_reviews_holds_the_only_operation(cast: Cast) -> None:
    record(
        GivenUpReview(knee=cast.knee, given_up_on=DAY, time_point="6m", reason="declined"),
        PatientReport(knee=cast.knee, answered_on=DAY, operated_again="no"),
        BookedVisit(knee=cast.knee, booked_for=DAY),
    )
    operation = cast.repair.tear.procedure
    page = text(cast.client("surgeon").get(address(cast, "operation", operation)))
    assert "6 months review given up on 1 Oct 2024 would lie before the first operation on this knee" in page
    assert "patient's report of 1 Oct 2024 would lie before the first operation" in page
    assert "visit booked" not in page


def test_an_unsigned_note_is_withdrawn_with_a_reason_too(cast: Cast) -> None:
    response = withdraw(cast, "operation", cast.repair.tear.procedure, **{"correction-reason": ""})
    assert response.status_code == 422
    assert IndexProcedure.objects.exists()
    withdraw(cast, "operation", cast.repair.tear.procedure)
    assert not IndexProcedure.objects.exists()
    assert not Tear.objects.exists()


def test_what_stands_in_the_way_is_said_in_words(cast: Cast) -> None:
    look, operation = a_look(cast), cast.repair.tear.procedure
    page = text(cast.client("surgeon").get(address(cast, "operation", operation)))
    assert "second look of 1 Oct 2024 would lie before the first operation on this knee" in page
    assert ">Withdraw</button>" not in page
    response = withdraw(cast, "operation", operation)
    assert response.status_code == 422
    assert "It cannot be withdrawn yet" in text(response)
    assert IndexProcedure.objects.exists()
    withdraw(cast, "second-look", look)
    withdraw(cast, "operation", operation)
    assert not IndexProcedure.objects.exists()


def test_what_somebody_changed_meanwhile_is_shown_first(cast: Cast) -> None:
    look = a_look(cast)
    seen = str(latest_correction(look))
    factories.corrected(look, reason="staged")
    response = withdraw(cast, "second-look", look, **{"correction-seen": seen})
    page = text(response)
    assert response.status_code == 409
    assert "Nothing is withdrawn." in page
    assert "Staged operation" in page
    assert f'name="correction-seen" value="{latest_correction(look)}"' in page
    assert SecondLook.objects.exists()


def test_an_operation_is_withdrawn_in_its_own_unit_only(cast: Cast) -> None:
    """A surgeon who operated on the same knee elsewhere sees it, and leaves this unit's operation alone."""
    yew = factories.a_surgeon(cast.other_unit, "yew", cast.stranger)
    own = factories.an_operation(
        cast.other_unit, yew, cast.knee, operated_on=factories.OPERATED_ON + timedelta(days=200)
    )
    theirs = cast.repair.tear.procedure
    assert cast.client("stranger").get(address(cast, "operation", theirs)).status_code == 403
    assert cast.client("stranger").get(address(cast, "operation", own)).status_code == 200


@pytest.mark.parametrize("kind", ["death", "research-permission", "second-thoughts", "visit", "operation"])
def test_what_is_no_entry_is_not_found(cast: Cast, kind: str) -> None:
    assert cast.client("surgeon").get(address(cast, kind, a_look(cast))).status_code == 404


# --- Signing -----------------------------------------------------------------------------------


def sign(cast: Cast, who: str, seen: int | str | None = None) -> Any:
    """As from a story just opened, or one that carries another mark."""
    operation = cast.repair.tear.procedure
    mark = {"seen": latest_correction(operation) if seen is None else seen}
    url = f"/knees/{cast.knee.uuid}/operations/{operation.uuid}/sign/"
    return cast.client(who).post(url, mark, follow=True)


def test_who_led_signs_once(cast: Cast) -> None:
    assert "The operation of 1 Mar 2024 is signed." in text(sign(cast, "surgeon"))
    assert "was signed already" in text(sign(cast, "surgeon"))
    assert Correction.objects.count() == 1
    operation = IndexProcedure.objects.get()
    assert operation.signed_by == cast.surgeon


def test_who_repaired_signs_and_a_colleague_does_not(cast: Cast) -> None:
    elm = factories.a_surgeon(cast.unit, "elm", cast.colleague)
    assert sign(cast, "colleague").status_code == 403
    factories.corrected(cast.repair.tear.procedure, repaired_by=elm)
    assert sign(cast, "colleague").status_code == 200
    assert IndexProcedure.objects.get().signed_by == cast.colleague


def test_what_was_changed_since_the_story_was_opened_is_not_signed(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    seen = latest_correction(operation)
    factories.corrected(cast.repair.tear, length_mm=12)
    for stale in (seen, "", "no mark"):
        refused = text(sign(cast, "surgeon", stale))
        assert "This operation was changed since you opened the story. Read it again, then sign." in refused
    assert IndexProcedure.objects.get().signed_at is None
    story = text(cast.client("surgeon").get(f"/knees/{cast.knee.uuid}/"))
    assert f'<input type="hidden" name="seen" value="{latest_correction(operation)}">' in story
    assert "is signed." in text(sign(cast, "surgeon"))


def test_signing_takes_a_post_and_an_operation_of_this_knee(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    url = f"/knees/{cast.knee.uuid}/operations/{{}}/sign/"
    assert cast.client("surgeon").get(url.format(operation.uuid)).status_code == 405
    elsewhere = factories.an_operation(cast.unit, cast.oak)
    assert cast.client("surgeon").post(url.format(elsewhere.uuid)).status_code == 404
