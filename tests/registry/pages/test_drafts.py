"""Drafts: kept sealed, shown to their owner alone, and not lost when a session ended."""

import re
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
import time_machine
from django.conf import settings
from django.http import QueryDict
from django.test import Client
from django.utils import timezone

from registry.models import BrowserSession, Draft, Visit
from registry.pages.drafts import draft_of, drop, keep
from tests import factories
from tests.conftest import Cast
from tests.factories import PASSWORD
from tests.registry.pages.controls import controls
from tests.registry.pages.entries import an_operation_entry, path, text

NUMBER = "NM 0042"
OPERATION = "/operations/new/"


def opened(cast: Cast, who: str = "clinician", kind: str = "visit") -> tuple[Client, dict[str, str]]:
    """A browser with the page open, and what the page sends about its draft."""
    client = cast.client(who)
    return client, of_page(client, path(cast, kind))


def of_page(client: Client, address: str) -> dict[str, str]:
    page = client.get(address).content.decode()

    def value(name: str) -> str:
        return page.split(f'name="{name}" value="')[1].split('"')[0]

    return {name: value(name) for name in ("draft-page", "draft-owner", "entry")}


def typed(**fields: str) -> QueryDict:
    query = QueryDict(mutable=True)
    query.update(fields)
    return query


def signed_in(client: Client, username: str, then: str) -> Any:
    return client.post(f"/sign-in/?next={then}", {"username": username, "password": PASSWORD}, follow=True)


# --- Keeping -----------------------------------------------------------------------------------


def test_the_script_keeps_a_draft_and_the_page_opens_filled(cast: Cast) -> None:
    client, page = opened(cast)
    said = client.post("/drafts/", {**page, "seen_on": "2024-10-01", "flexion_deg": "9x", "mcmurray": "true"})
    assert said.status_code == 200
    assert "Draft kept" in text(said)
    assert "no-store" in said.headers["Cache-Control"]
    again = client.get(path(cast, "visit"))
    shown = text(again)
    assert "Filled from your draft of" in shown
    assert shown.index("Start empty: discard the draft") < shown.index('name="entry"')
    assert "hospital number" not in shown.split("Filled from your draft of")[1].split("Nothing of it")[0]
    assert 'name="seen_on" value="2024-10-01"' in shown
    assert 'value="9x"' in shown
    assert '<option value="true" selected>' in shown
    # It is not sent yet, so nothing is to mend; and it stays the same entry.
    assert "to mend" not in shown
    assert f'name="entry" value="{page["entry"]}"' in shown


def test_without_script_a_button_keeps_it_and_another_discards_it(cast: Cast) -> None:
    client, page = opened(cast)
    kept = client.post("/drafts/", {**page, "do": "keep-draft", "seen_on": "2024-10-01"}, follow=True)
    assert kept.redirect_chain == [(path(cast, "visit"), 302)]
    assert "Kept as a draft. Nothing is recorded yet." in text(kept)
    assert 'name="seen_on" value="2024-10-01"' in text(kept)
    gone = client.post("/drafts/", {**page, "do": "discard-draft"}, follow=True)
    assert "The draft is discarded." in text(gone)
    assert 'name="seen_on" value="2024-10-01"' not in text(gone)
    assert not Draft.objects.exists()


def test_recording_drops_it(cast: Cast) -> None:
    client, page = opened(cast)
    sent = {**page, "seen_on": "2024-10-01", "time_point": "6m", "lachman": "0"}
    client.post("/drafts/", sent)
    assert client.post(path(cast, "visit"), sent).status_code == 302
    assert Visit.objects.count() == 1
    assert not Draft.objects.exists()


def test_a_draft_kept_while_its_page_was_recorded_does_not_come_back(cast: Cast) -> None:
    client, page = opened(cast)
    sent = {**page, "seen_on": "2024-10-01", "time_point": "6m", "lachman": "0"}
    client.post(path(cast, "visit"), sent)
    client.post("/drafts/", sent)
    assert "Filled from your draft" not in text(client.get(path(cast, "visit")))
    assert not Draft.objects.exists()


def test_what_is_to_mend_leaves_the_draft(cast: Cast) -> None:
    client, page = opened(cast)
    client.post("/drafts/", {**page, "flexion_deg": "120"})
    assert client.post(path(cast, "visit"), {**page, "flexion_deg": "120"}).status_code == 422
    assert Draft.objects.exists()


def test_a_refused_operation_is_kept_and_dropped_once_recorded(cast: Cast) -> None:
    client, entry = cast.client("surgeon"), {**an_operation_entry(cast, cast.surgeon), "entry": str(uuid4())}
    assert client.post(OPERATION, {**entry, "operation-bmi": "900"}).status_code == 422
    shown = text(client.get(OPERATION))
    assert re.search(r"Filled from your draft of .*, hospital number NM 0042\.\s+Nothing of it", shown)
    assert 'value="900"' in shown
    assert client.post(OPERATION, entry).status_code == 302
    assert not Draft.objects.exists()


def test_an_operation_with_questions_is_kept(cast: Cast) -> None:
    asked = {"tear-1-rim_zone": "1", "tear-1-vascular_zone": "WW"}
    entry = an_operation_entry(cast, cast.surgeon, asked)
    assert cast.client("surgeon").post(OPERATION, entry).status_code == 200
    assert Draft.objects.count() == 1


def test_a_refused_correction_of_an_operation_is_kept(cast: Cast) -> None:
    address = f"/knees/{cast.knee.uuid}/operations/{cast.repair.tear.procedure.uuid}/correct/"
    client = cast.client("surgeon")
    sent = {**controls(client.get(address)), "operation-bmi": ["900"]}
    assert client.post(address, sent).status_code == 422
    assert 'value="900"' in text(client.get(address))


def test_a_draft_of_an_operation_recorded_meanwhile_is_dropped(cast: Cast) -> None:
    client, entry = cast.client("surgeon"), {**an_operation_entry(cast, cast.surgeon), "entry": str(uuid4())}
    client.post(OPERATION, entry)
    keep(cast.surgeon, OPERATION, typed(**entry))
    shown = text(client.get(OPERATION))
    assert "Filled from your draft" not in shown
    assert "NM 0042" not in shown
    assert not Draft.objects.exists()


def test_several_values_of_one_name_are_kept(cast: Cast) -> None:
    several = QueryDict("tear=1&tear=2")
    keep(cast.surgeon, "/operations/new/", several)
    kept = draft_of(cast.surgeon, "/operations/new/")
    assert kept is not None
    assert kept.getlist("tear") == ["1", "2"]


def test_only_its_owner_sees_it(cast: Cast) -> None:
    client, page = opened(cast)
    client.post("/drafts/", {**page, "flexion_deg": "123"})
    assert 'value="123"' not in text(cast.client("surgeon").get(path(cast, "visit")))
    assert draft_of(cast.surgeon, path(cast, "visit")) is None


def test_after_a_fortnight_it_is_gone(cast: Cast) -> None:
    keep(cast.surgeon, "/operations/new/", typed(side="left"))
    with time_machine.travel(timezone.now() + Draft.KEPT_FOR + timedelta(minutes=1)):
        assert draft_of(cast.surgeon, "/operations/new/") is None
        keep(cast.clinician, path(cast, "visit"), typed(pivot="1"))
    assert [draft.user for draft in Draft.objects.all()] == [cast.clinician]


def test_dropping_what_is_not_there_is_nothing(cast: Cast) -> None:
    drop(cast.surgeon, "/operations/new/")
    assert not Draft.objects.exists()


# --- What is never kept ------------------------------------------------------------------------


def test_it_is_sealed_and_holds_no_token_and_no_password(cast: Cast) -> None:
    secret = {"hospital_number": NUMBER, "csrfmiddlewaretoken": "tok", "new_password": "pass-it-on"}
    draft = keep(cast.surgeon, "/operations/new/", typed(**secret))
    assert NUMBER not in draft.sealed
    assert draft_of(cast.surgeon, "/operations/new/") == typed(hospital_number=NUMBER)


@pytest.mark.parametrize(
    "page",
    ["/", "/sign-in/", "/nowhere/", "", "https://elsewhere.example.org/operations/new/", "//x.example.org/"],
)
def test_a_page_that_keeps_none_keeps_none(cast: Cast, page: str) -> None:
    client, sent = opened(cast)
    assert client.post("/drafts/", {**sent, "draft-page": page, "do": "keep-draft"}).status_code == 400
    assert not Draft.objects.exists()


def test_a_page_opened_by_somebody_else_keeps_none(cast: Cast) -> None:
    _, theirs = opened(cast, "surgeon")
    answer = cast.client("clinician").post("/drafts/", {**theirs, "flexion_deg": "120"})
    assert answer.status_code == 409
    assert "opened by somebody else" in text(answer)
    assert not Draft.objects.exists()


def test_a_draft_takes_a_post(cast: Cast) -> None:
    assert cast.client("surgeon").get("/drafts/").status_code == 405


# --- When the session ended --------------------------------------------------------------------


def test_what_was_sent_when_signed_out_comes_back_as_a_draft(cast: Cast) -> None:
    client, page = opened(cast)
    client.logout()
    sent = client.post(path(cast, "visit"), {**page, "seen_on": "2024-10-01", "flexion_deg": "123"})
    assert sent.headers["Location"] == f"/sign-in/?next={path(cast, 'visit')}"
    assert not Visit.objects.exists()
    back = signed_in(client, "clinician", path(cast, "visit"))
    assert "You had been signed out. What you typed is kept as a draft" in text(back)
    assert 'name="flexion_deg" value="123"' in text(back)
    assert f'name="entry" value="{page["entry"]}"' in text(back)


def test_another_person_does_not_get_it(cast: Cast) -> None:
    client, page = opened(cast)
    client.logout()
    client.post(path(cast, "visit"), {**page, "flexion_deg": "123"})
    assert 'value="123"' not in text(signed_in(client, "oak", path(cast, "visit")))
    assert not Draft.objects.exists()
    client.logout()
    assert 'value="123"' not in text(signed_in(client, "clinician", path(cast, "visit")))


def test_an_answer_that_comes_late_takes_no_new_session_away(cast: Cast) -> None:
    client, page = opened(cast)
    BrowserSession.objects.all().delete()
    with_the_dead_session = cast.client("nobody")
    with_the_dead_session.cookies = client.cookies.copy()
    client.post(path(cast, "visit"), {**page, "flexion_deg": "120"})
    late = with_the_dead_session.post("/operations/facts/", {})
    assert late.status_code == 302
    assert settings.SESSION_COOKIE_NAME not in late.cookies
    client.cookies.update(late.cookies)
    assert "You had been signed out" in text(signed_in(client, "clinician", path(cast, "visit")))


def test_signing_out_takes_the_cookie_away(cast: Cast) -> None:
    answer = cast.client("clinician").post("/sign-out/")
    assert answer.cookies[settings.SESSION_COOKIE_NAME]["max-age"] == 0


def test_the_script_is_told_that_the_session_ended(cast: Cast) -> None:
    client, page = opened(cast)
    client.logout()
    answer = client.post("/drafts/", {**page, "flexion_deg": "123"})
    assert answer.status_code == 401
    assert "You are signed out" in text(answer)
    assert f'href="/sign-in/?next={path(cast, "visit")}"' in text(answer)
    assert 'value="123"' in text(signed_in(client, "clinician", path(cast, "visit")))


def test_the_button_leads_to_signing_in(cast: Cast) -> None:
    client, page = opened(cast)
    client.logout()
    answer = client.post("/drafts/", {**page, "do": "keep-draft", "flexion_deg": "123"})
    assert answer.headers["Location"] == f"/sign-in/?next={path(cast, 'visit')}"
    assert 'value="123"' in text(signed_in(client, "clinician", path(cast, "visit")))


def test_no_plain_value_lies_in_the_session_store(cast: Cast) -> None:
    client, page = opened(cast)
    client.logout()
    client.post(path(cast, "visit"), {**page, "flexion_deg": NUMBER})
    stored = [str(session.get_decoded()) for session in BrowserSession.objects.all()]
    assert any("sealed" in content for content in stored)
    assert not [content for content in stored if NUMBER in content]


@pytest.mark.parametrize("mark", ["", "forged:mark"])
def test_a_stranger_puts_nothing_into_the_session_store(cast: Cast, mark: str) -> None:
    client = Client()
    client.post(path(cast, "visit"), {"draft-owner": mark, "flexion_deg": "123"})
    client.post("/drafts/", {"draft-page": path(cast, "visit"), "draft-owner": mark})
    assert not BrowserSession.objects.exists()


def test_a_draft_of_a_correction_still_meets_what_others_changed(cast: Cast) -> None:
    visit = Visit(knee=cast.knee, seen_on=factories.OPERATED_ON + timedelta(days=180))
    factories.record(visit)
    client = cast.client("clinician")
    address = f"{path(cast, 'visit')}{visit.uuid}/"
    page = client.get(address).content.decode()
    mark = page.split('name="draft-owner" value="')[1].split('"')[0]
    sent = {"draft-page": address, "draft-owner": mark, "correction-seen": "0", "flexion_deg": "99"}
    client.post("/drafts/", sent)
    factories.corrected(visit, lachman=1)
    again = text(client.get(address))
    assert 'name="flexion_deg" value="99"' in again
    assert 'name="correction-seen" value="0"' in again
