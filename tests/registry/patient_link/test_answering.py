"""A patient answers: what is asked when, what is kept, and what stands on record at the end."""

import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from registry.models import Correction, PatientLink, PatientReport, Reoperation, ScoreResponse, Wording
from registry.recording import record
from registry.scoring import INSTRUMENTS
from tests import factories
from tests.conftest import Cast
from tests.registry.patient_link.conftest import Reader, key_of

Make = Callable[..., PatientLink]


def through_the_first_screens(reader: Reader) -> None:
    reader.send(again="no")
    reader.send(none="on")


def test_the_first_screen_asks_whether_the_knee_was_operated_on_again(reader: Reader) -> None:
    page = reader.look()
    assert "Has your left knee been operated on again since 1 Mar 2024?" in page
    assert "Screen 1 of 4" in page
    assert '<progress value="1" max="4"' in page
    # It cannot be passed over.
    for extra in ({}, {"anyway": "yes"}, {"again": "perhaps"}):
        answer = reader.send(**extra)
        assert answer.status_code == 422
        assert key_of(answer) == "again"
        assert "is an answer too" in answer.content.decode()
    assert not PatientReport.objects.exists()


def test_its_answer_is_on_record_at_once(reader: Reader) -> None:
    reader.send(again="unsure", where="Alder Clinic", when="last May", what="cleaned out")
    report = PatientReport.objects.get()
    assert (report.knee, report.time_point, report.way) == (reader.link.knee, "3m", "link")
    assert (report.operated_again, report.answered_on) == ("unsure", timezone.localdate())
    assert report.opened() == {"where": "Alder Clinic", "when": "last May", "what": "cleaned out"}
    assert report.link == reader.link
    assert "Alder" not in f"{report.__dict__}"
    reader.link.refresh_from_db()
    assert "Alder" not in reader.link.answers_sealed
    assert not ScoreResponse.objects.exists()


def test_going_back_and_answering_otherwise_corrects_it(reader: Reader) -> None:
    reader.send(again="yes", where="Alder Clinic")
    assert reader.screen() == "signs"
    reader.send(go="back")
    assert 'value="Alder Clinic"' in reader.look()
    reader.send(again="no")
    report = PatientReport.objects.get()
    assert (report.operated_again, report.opened()["where"], report.version) == ("no", "", 2)
    assert Correction.objects.get().reason == "The patient went on in the same link"


def test_sending_the_same_again_corrects_nothing(reader: Reader) -> None:
    reader.send(again="yes", where="Alder Clinic")
    reader.send(go="back")
    reader.send()
    assert PatientReport.objects.get().version == 1
    assert not Correction.objects.exists()


@pytest.mark.parametrize(
    ("sign", "words"),
    [("fever", "Fever"), ("calf_pain", "Painful or swollen calf"), ("locked_knee", "Knee that is stuck")],
)
def test_a_warning_sign_says_what_to_do_now_and_is_on_record(reader: Reader, sign: str, words: str) -> None:
    reader.send(again="no")
    answer = reader.send(**{sign: "on"})
    page = answer.content.decode()
    assert key_of(answer) == "advice"
    for told in (words, "Contact your hospital now", "call the emergency services", "not monitored"):
        assert told in page
    assert PatientReport.objects.get().signs == [sign]
    assert key_of(reader.send()) == "pain_nrs-1"


def test_a_new_sign_has_to_be_seen_to_anew(reader: Reader) -> None:
    reader.send(again="no")
    reader.send(fever="on")
    factories.corrected(PatientReport.objects.get(), signs_seen_to=True)
    for _ in "ab":
        reader.send(go="back")
    reader.send()
    assert PatientReport.objects.get().signs_seen_to
    reader.send(calf_pain="on")
    report = PatientReport.objects.get()
    assert (report.signs, report.signs_seen_to) == (["fever", "calf_pain"], False)


def test_what_the_clinic_verified_meanwhile_stands(cast: Cast, reader: Reader) -> None:
    reader.send(again="yes", what="cleaned out")
    again = factories.a_failure(cast.repair, days=100)
    factories.corrected(PatientReport.objects.get(), reoperation=again)
    reader.send(go="back")
    reader.send(again="no")
    reader.send(fever="on")
    report = PatientReport.objects.get()
    assert (report.operated_again, report.reoperation, report.signs) == ("yes", again, ["fever"])
    assert report.opened()["what"] == "cleaned out"


def test_what_is_told_after_a_report_was_withdrawn_is_a_report_of_its_own(reader: Reader) -> None:
    reader.send(again="yes")
    withdrawn = PatientReport.objects.get()
    factories.withdrawn(withdrawn)
    assert key_of(reader.send(fever="on")) == "advice"
    told = PatientReport.objects.get()
    assert (told.operated_again, told.signs) == ("yes", ["fever"])
    assert PatientReport.ever.get(pk=withdrawn.pk).signs == []


def test_unanswered_items_are_asked_about_once(a_link: Make) -> None:
    reader = Reader(a_link("koos"))
    reader.enter()
    through_the_first_screens(reader)
    answer = reader.send(S1="2", S3="0", S5="4")
    assert (answer.status_code, key_of(answer)) == (422, "koos-1")
    assert "2 questions are not answered. Go on anyway?" in answer.content.decode()
    # What was answered is kept even so.
    assert reader.look().count("checked") == 3
    assert key_of(reader.send(anyway="yes")) == "koos-2"
    reader.send(go="back")
    assert key_of(reader.send()) == "koos-2"
    assert "1 question is not answered" in reader.send(S6="1").content.decode()


def test_a_number_out_of_range_is_named_and_not_kept(a_link: Make) -> None:
    reader = Reader(a_link("pain_vas"))
    reader.enter()
    through_the_first_screens(reader)
    answer = reader.send(pain_mm="101", anyway="yes")
    page = answer.content.decode()
    assert answer.status_code == 422
    assert 'value="101"' in page
    assert 'aria-invalid="true"' in page
    assert "A whole number from 0 to 100." in page
    assert key_of(reader.send(pain_mm="100")) == "send"


def test_nobody_jumps_ahead_or_sends_before_the_end(reader: Reader) -> None:
    for key in ("send", "pain_nrs-1", "no-such"):
        answer = reader.client.post(reader.path, {"screen": key, "go": "next"}, follow=True)
        assert key_of(answer) in ("again", "pain_nrs-1")[: 1 + (key == "pain_nrs-1")]
    assert reader.screen() == "again"
    assert not ScoreResponse.objects.exists()
    reader.link.refresh_from_db()
    assert reader.link.finished_at is None


def test_another_device_goes_on_at_the_first_screen_not_done(a_link: Make) -> None:
    first = Reader(a_link("koos", "sane"))
    first.enter()
    through_the_first_screens(first)
    for group in INSTRUMENTS["koos"].groups[:3]:
        first.send(**dict.fromkeys(group.items, "1"))
    first.send(go="back")
    second = Reader(first.link)
    assert "Year of birth" in second.look()
    second.enter()
    assert second.screen() == "koos-4"
    assert first.screen() == "koos-3"
    second.send(go="back")
    assert second.look().count("checked") == 9


def test_all_is_on_record_when_sent(a_link: Make) -> None:
    reader = Reader(a_link("koos", "sane", "pain_nrs"))
    reader.enter()
    through_the_first_screens(reader)
    chosen = {item.code: place % 5 for place, item in enumerate(INSTRUMENTS["koos"].items)}
    for group in INSTRUMENTS["koos"].groups:
        reader.send(**{code: str(chosen[code]) for code in group.items})
    reader.send(anyway="yes")  # the second form is passed over
    reader.send(**{INSTRUMENTS["pain_nrs"].items[0].code: "7"})
    assert "43 of 44 questions are answered" in reader.look()
    page = reader.send().content.decode()
    assert "Thank you" in page
    koos, pain = ScoreResponse.objects.order_by("instrument")
    assert (koos.instrument, koos.way, koos.reoperated_since) == ("koos", "link", "not_asked")
    assert (koos.knee, koos.answered_on) == (reader.link.knee, timezone.localdate())
    assert koos.items == chosen
    assert koos.scale_values == INSTRUMENTS["koos"].values(chosen)
    assert pain.total == 7
    reader.link.refresh_from_db()
    assert reader.link.finished_at is not None
    assert reader.link.answers_sealed == ""
    words = re.sub(r"<[^>]*>", "", page)
    assert not re.search(r"\d|koos|pain|score", words, re.IGNORECASE)


def test_sent_again_it_is_on_record_once(reader: Reader) -> None:
    through_the_first_screens(reader)
    reader.send(**{INSTRUMENTS["pain_nrs"].items[0].code: "7"})
    for _ in "ab":
        answer = reader.client.post(reader.path, {"screen": "send", "go": "next"}, follow=True)
        assert "Thank you" in answer.content.decode()
    assert ScoreResponse.objects.count() == 1


def test_a_form_answered_in_clinic_that_day_takes_up_what_the_link_adds(cast: Cast, a_link: Make) -> None:
    in_clinic = {"S1": 1, "S2": 1}
    record(
        ScoreResponse(
            knee=cast.knee, answered_on=timezone.localdate(), instrument="koos", items=in_clinic, way="paper"
        )
    )
    reader = Reader(a_link("koos", "pain_nrs"))
    reader.enter()
    through_the_first_screens(reader)
    reader.send(S2="2", S3="3", anyway="yes")
    for _ in INSTRUMENTS["koos"].groups[1:]:
        reader.send(anyway="yes")
    reader.send(**{INSTRUMENTS["pain_nrs"].items[0].code: "7"})
    reader.send()
    koos, pain = ScoreResponse.objects.order_by("instrument")
    assert koos.items == {"S1": 1, "S2": 2, "S3": 3}
    assert (koos.way, pain.total) == ("paper", 7)
    corrected = Correction.objects.get()
    assert corrected.reason == "The patient answered this form by their link on the same day"
    assert corrected.before["items"] == in_clinic


def test_only_the_answer_moves_nothing_else(cast: Cast, reader: Reader) -> None:
    reader.send(again="yes", where="Alder Clinic")
    assert not Reoperation.objects.exists()


def test_a_link_that_ends_under_the_patient_ends_in_words(reader: Reader) -> None:
    PatientLink.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    answer = reader.client.post(reader.path, {"screen": "again", "again": "no"}, follow=True)
    assert answer.status_code == 403
    assert "Not opened" in answer.content.decode()
    assert not PatientReport.objects.exists()


def test_without_a_session_nothing_is_taken(a_link: Make) -> None:
    link = a_link()
    answer = Reader(link).client.post(Reader(link).path, {"screen": "again", "again": "no"}, follow=True)
    assert "Year of birth" in answer.content.decode()
    assert not PatientReport.objects.exists()


def test_a_session_opens_one_link_alone(cast: Cast, a_link: Make) -> None:
    first, second = a_link(), a_link()
    client = Client()
    Reader(first, client).enter()
    assert "Year of birth" in Reader(second, client).look()
    assert client.get("/").status_code == 302


def test_the_loaded_wording_is_shown_in_place_of_label_and_number(a_link: Make) -> None:
    reader = Reader(a_link("pain_nrs"))
    reader.enter()
    through_the_first_screens(reader)
    item = INSTRUMENTS["pain_nrs"].items[0]
    page = reader.look()
    assert item.label in page
    assert "has not loaded the full wording" in page
    texts = {"": "An invented form", item.code: "An invented item", f"{item.code}=0": "An invented end"}
    for code, text in texts.items():
        Wording(instrument="pain_nrs", language="en", code=code, text=text).save()
    page = reader.look()
    assert all(text in page for text in texts.values())
    assert item.label not in page
    assert "has not loaded" not in page


@pytest.mark.parametrize("code", INSTRUMENTS)
def test_every_instrument_can_be_answered(a_link: Make, code: str) -> None:
    reader = Reader(a_link(code))
    reader.enter()
    through_the_first_screens(reader)
    instrument = INSTRUMENTS[code]
    worst: dict[str, Any] = {item.code: max(item.allowed) for item in instrument.items}
    for group in instrument.groups:
        answer = reader.send(**{item: worst[item] for item in group.items})
        assert answer.status_code == 200
    reader.send()
    assert ScoreResponse.objects.get().items == worst
