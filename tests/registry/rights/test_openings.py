"""Openings: every page of a knee notes who opened it, once a day, and never fails or waits for it."""

import logging
import sqlite3
import time
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection
from django.test import Client

from registry.api.keys import make
from registry.models import Opening, OpeningKind
from registry.rights import openings
from registry.site.urls import urlpatterns
from registry.vocabulary import Scope
from tests.conftest import Cast


def noted(cast: Cast) -> list[tuple[str, str]]:
    rows = Opening.objects.filter(patient=cast.knee.patient).order_by("kind", "user")
    return [(each.user.username, each.kind) for each in rows]


def test_a_day_has_one_row_a_person_patient_and_kind(cast: Cast) -> None:
    for who in ("surgeon", "clinician", "surgeon"):
        for page in ("", "history/", ""):
            assert cast.client(who).get(f"/knees/{cast.knee.uuid}/{page}").status_code == 200
    assert noted(cast) == [("oak", "story"), ("clinician", "story")]
    assert cast.client("surgeon").get(f"/knees/{cast.knee.uuid}/fhir/").status_code == 200
    assert ("oak", "fhir") in noted(cast)


@pytest.mark.parametrize("who", ["nobody", "stranger", "coordinator"])
def test_who_is_not_shown_it_is_not_noted(cast: Cast, who: str) -> None:
    assert cast.client(who).get(f"/knees/{cast.knee.uuid}/").status_code in (302, 404)
    assert noted(cast) == []


def test_the_question_why_shows_nothing_and_notes_nothing(cast: Cast) -> None:
    assert cast.client("surgeon").get(f"/knees/{cast.knee.uuid}/identity/").status_code == 200
    assert noted(cast) == []


def test_what_a_program_reads_is_noted_of_every_patient_in_the_answer(cast: Cast) -> None:
    _, text = make(cast.surgeon, "a test", [Scope.READ_RECORD], 9)
    operation = cast.repair.tear.procedure
    for address in (
        "/api/v1/patients/",
        f"/api/v1/patients/{cast.knee.patient.uuid}/",
        f"/api/v1/operations/{operation.uuid}/",
        f"/api/v1/operations/{operation.uuid}/history/",
    ):
        Opening.objects.all().delete()
        answer = Client().get(address, headers={"authorization": f"Bearer {text}"})
        assert answer.status_code == 200, address
        assert noted(cast) == [("oak", "program")], address


def test_every_address_with_a_knee_in_it_is_watched() -> None:
    """The middleware goes by the name `knee`; no address may name a knee otherwise."""
    ways = list(addresses(urlpatterns))
    assert len([way for way in ways if "<uuid:knee>" in way]) > 20
    assert [way for way in ways if "knees/<" in way and "<uuid:knee>" not in way and "api/" not in way] == []


def addresses(patterns: Any, before: str = "") -> Any:
    for each in patterns:
        way = before + str(each.pattern)
        yield from addresses(each.url_patterns, way) if hasattr(each, "url_patterns") else [way]


def test_an_unknown_patient_fails_no_page(cast: Cast) -> None:
    openings.note_knee(uuid4(), cast.surgeon, OpeningKind.STORY)
    openings.note_all([], cast.surgeon, OpeningKind.STORY)
    assert not Opening.objects.exists()


def test_a_page_gives_up_soon_when_another_writes_and_the_log_holds_no_value(
    transactional_db: None, cast: Cast, caplog: pytest.LogCaptureFixture
) -> None:
    if connection.vendor != "sqlite":
        pytest.skip("on PostgreSQL nobody waits for another's write")
    client = cast.client("surgeon")
    other = sqlite3.connect(connection.settings_dict["NAME"], uri=True, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    began = time.monotonic()
    with caplog.at_level(logging.WARNING):
        assert client.get(f"/knees/{cast.knee.uuid}/").status_code == 200
    assert time.monotonic() - began < 5
    other.execute("ROLLBACK")
    other.close()
    assert not Opening.objects.exists()
    (line,) = [each.getMessage() for each in caplog.records if "opening" in each.getMessage()]
    assert str(cast.knee.uuid) not in line
    assert str(cast.knee.patient.uuid) not in line
    assert "oak" not in line
