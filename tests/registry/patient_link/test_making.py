"""Links made, found again, addressed and taken back; and the token, which nobody can make up."""

from datetime import UTC, datetime, timedelta
from uuid import UUID, uuid4

import pytest
from django.core.exceptions import ValidationError
from django.core.signing import Signer
from django.test import override_settings
from hypothesis import given
from hypothesis import strategies as st

from registry.models import PatientLink, PlannedTimePoint
from registry.patient_link.making import address, make_link, open_link, take_back
from registry.patient_link.screens import AGAIN, SEND, SIGNS_OF_TROUBLE, Answers, screens_of
from registry.patient_link.token import link_of, token_of
from registry.recording import record
from tests import factories
from tests.conftest import Cast

pytestmark = pytest.mark.any_engine

NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)


@given(st.uuids())
def test_a_token_leads_to_its_link_and_needs_no_escaping(link: UUID) -> None:
    token = token_of(link)
    assert link_of(token) == link
    assert len(token) == 66
    assert all(sign.isascii() and (sign.isalnum() or sign in "-_.") for sign in token)


@given(st.uuids(), st.integers(0, 65), st.characters(codec="utf-8"))
def test_one_sign_altered_leads_nowhere(link: UUID, place: int, sign: str) -> None:
    token = token_of(link)
    altered = token[:place] + sign + token[place + 1 :]
    assert link_of(altered) == (link if altered == token else None)


@given(st.text())
def test_any_text_is_no_token(text: str) -> None:
    assert link_of(text) is None


def test_what_another_part_of_the_site_signed_is_no_token() -> None:
    assert link_of(Signer(sep=".", salt="registry.drafts").sign(token_of(uuid4()).partition(".")[0])) is None


def test_nothing_of_a_token_is_stored(cast: Cast) -> None:
    link = make_link(cast.knee, "3m")
    signature = token_of(link.uuid).partition(".")[2]
    (row,) = PatientLink.objects.values()
    assert not any(signature in str(value) for value in row.values())


@override_settings(SITE_URL="https://rimward.example.org", LINK_VALID_DAYS=30)
def test_a_link_as_made(cast: Cast) -> None:
    factories.corrected(cast.knee.patient, language="es")
    link = make_link(cast.knee, "12m", cast.clinician, now=NOON)
    assert (link.language, link.instruments, link.made_by) == ("es", ["koos"], cast.clinician)
    assert link.expires_at == NOON + timedelta(days=30)
    assert address(link) == f"https://rimward.example.org/r/{token_of(link.uuid)}/"
    assert make_link(cast.knee, "6w").instruments == ["pain_nrs"]
    assert make_link(cast.knee, "6w", instruments=["tegner", "koos"]).instruments == ["tegner", "koos"]


def test_a_review_that_asks_for_no_form_asks_for_the_report_alone(cast: Cast) -> None:
    record(PlannedTimePoint(unit=cast.unit, time_point="3m", due_day=91, window_days=28, instruments=[]))
    link = make_link(cast.knee, "3m")
    assert link.instruments == []
    assert screens_of(link.instruments, Answers()) == (AGAIN, SIGNS_OF_TROUBLE, SEND)


def test_an_unknown_instrument_or_time_point_is_refused_in_words(cast: Cast) -> None:
    with pytest.raises(ValidationError, match=r"'knee99' is not an instrument here\. Choose from: koos"):
        make_link(cast.knee, "3m", instruments=["koos", "knee99"])
    with pytest.raises(ValidationError, match="not a valid choice"):
        make_link(cast.knee, "4m")
    assert not PatientLink.objects.exists()


def test_the_newest_open_link_of_a_review_is_found(cast: Cast) -> None:
    assert open_link(cast.knee, "3m", NOON) is None
    first = make_link(cast.knee, "3m", now=NOON)
    second = make_link(cast.knee, "3m", now=NOON + timedelta(hours=1))
    later = NOON + timedelta(days=1)
    assert open_link(cast.knee, "3m", later) == second
    take_back(second, later)
    assert second.taken_back_at == later
    assert open_link(cast.knee, "3m", later) == first
    assert open_link(cast.knee, "6m", later) is None
    assert open_link(cast.knee, "3m", first.expires_at) is None
    PatientLink.objects.filter(pk=first.pk).update(wrong_tries=5)
    assert open_link(cast.knee, "3m", later) is None


def test_what_was_answered_is_not_taken_back(cast: Cast) -> None:
    link = make_link(cast.knee, "3m", now=NOON)
    PatientLink.objects.update(finished_at=NOON)
    take_back(link, NOON)
    assert link.taken_back_at is None
