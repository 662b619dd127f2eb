"""One page sent twice records once: one after the other, and both at the same moment."""

from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest

from registry.models import IndexProcedure, Patient
from registry.pages.drafts import draft_of
from tests import factories
from tests.conftest import Cast
from tests.registry.apart import database_beside, printed_by
from tests.registry.pages.controls import controls
from tests.registry.pages.entries import an_operation_entry, text

PATH = "/operations/new/"


def test_sent_again_it_leads_to_the_same_story(cast: Cast) -> None:
    client = cast.client("surgeon")
    entry = {**an_operation_entry(cast, cast.surgeon), "entry": str(uuid4())}
    first = client.post(PATH, entry)
    second = client.post(PATH, entry)
    assert first.headers["Location"] == second.headers["Location"]
    assert IndexProcedure.objects.get(bmi="24.5").uuid == IndexProcedure.objects.get(uuid=entry["entry"]).uuid
    assert Patient.objects.filter(identity__isnull=False).count() == 1
    assert "nothing was recorded twice. To change it, correct it." in text(
        client.get(first.headers["Location"])
    )


def test_sent_again_after_it_was_withdrawn_it_is_not_recorded_anew(cast: Cast) -> None:
    client = cast.client("surgeon")
    entry = {**an_operation_entry(cast, cast.surgeon), "entry": str(uuid4())}
    client.post(PATH, entry)
    factories.withdrawn(IndexProcedure.objects.get(uuid=entry["entry"]))
    response = client.post(PATH, entry)
    assert "has been withdrawn since. Reinstate it below" in text(client.get(response.headers["Location"]))
    assert not IndexProcedure.objects.filter(uuid=entry["entry"]).exists()


@pytest.mark.parametrize(
    "typed",
    [
        {"patient-hospital_number": "NM 0043"},
        {"operation-operated_on": "2024-05-03"},
        {"operation-bmi": "31"},
        {"patient-side": "left"},
        {"tear-1-length_mm": "31"},
        {"tear-2-meniscus": "lateral", "tear-2-pattern": "radial", "tear-2-treatment": "left"},
    ],
)
def test_a_used_key_with_something_else_typed_loses_nothing(cast: Cast, typed: dict[str, str]) -> None:
    client = cast.client("surgeon")
    entry = {**an_operation_entry(cast, cast.surgeon), "entry": str(uuid4())}
    story = client.post(PATH, entry).headers["Location"]
    operations = IndexProcedure.objects.count()
    response = client.post(PATH, {**entry, **typed})
    assert response.status_code == 422
    assert IndexProcedure.objects.count() == operations
    page = text(response)
    assert "1 thing to mend" in page
    assert f'was recorded before as <a href="{story}">the operation of 2 May 2024</a>' in page
    sent = controls(response)
    assert {name: sent[name] for name in typed} == {name: [value] for name, value in typed.items()}
    assert sent["entry"] != [entry["entry"]]
    draft = draft_of(cast.surgeon, PATH)
    assert draft is not None
    assert draft["entry"] == sent["entry"][0]
    assert {name: draft[name] for name in typed} == typed


def test_another_patient_typed_over_a_recorded_page_is_recorded_the_second_time(cast: Cast) -> None:
    client = cast.client("surgeon")
    entry = {**an_operation_entry(cast, cast.surgeon), "entry": str(uuid4())}
    client.post(PATH, entry)
    again = client.post(PATH, {**entry, "patient-hospital_number": "NM 0043"})
    assert client.post(PATH, dict(controls(again))).status_code == 302
    assert Patient.objects.filter(identity__isnull=False).count() == 2
    assert draft_of(cast.surgeon, PATH) is None


def test_a_withdrawn_operation_with_something_else_typed_loses_nothing(cast: Cast) -> None:
    client = cast.client("surgeon")
    entry = {**an_operation_entry(cast, cast.surgeon), "entry": str(uuid4())}
    client.post(PATH, entry)
    factories.withdrawn(IndexProcedure.objects.get(uuid=entry["entry"]))
    assert client.post(PATH, {**entry, "operation-bmi": "31"}).status_code == 422


def test_the_key_of_somebody_elses_operation_opens_nothing(cast: Cast) -> None:
    """In another unit such a key is not found, and the database lets it stand for one operation only."""
    mine = {**an_operation_entry(cast, cast.surgeon), "entry": str(uuid4())}
    cast.client("surgeon").post(PATH, mine)
    response = cast.client("stranger").post(PATH, {"entry": mine["entry"]})
    assert response.status_code == 422


def test_a_page_without_a_key_gets_one(cast: Cast) -> None:
    entry: dict[str, Any] = {**an_operation_entry(cast, cast.surgeon), "entry": "no key"}
    assert cast.client("surgeon").post(PATH, entry).status_code == 302


TWO_AT_ONCE = """
import threading
import django
django.setup()
from django.db import connection
from django.test import Client
from tests import factories
from tests.registry.pages.entries import an_operation_entry
from tests.tables import make_tables
from registry.models import IndexProcedure, Patient

make_tables()
unit = factories.a_unit("northmere")
surgeon = factories.a_person("oak", ("surgeon", unit))
oak = factories.a_surgeon(unit, "oak", surgeon)
class Cast: pass
cast = Cast(); cast.unit, cast.oak = unit, oak
clients = [Client(SERVER_NAME="localhost"), Client(SERVER_NAME="localhost")]
for client in clients: client.force_login(surgeon)
entry = {**an_operation_entry(cast, surgeon), "entry": "0b0f3c52-6a4e-4a51-9d3c-0c6c1a7b3f10"}
gate, answers = threading.Barrier(2), []

def send(client):
    gate.wait()
    answer = client.post("/operations/new/", entry)
    answers.append((answer.status_code, answer.headers.get("Location")))
    connection.close()

threads = [threading.Thread(target=send, args=(client,)) for client in clients]
for thread in threads: thread.start()
for thread in threads: thread.join()
assert [status for status, _ in answers] == [302, 302], answers
assert len({where for _, where in answers}) == 1, answers
print(IndexProcedure.objects.count(), Patient.objects.count())
"""


def test_two_at_once_on_sqlite(tmp_path: Path) -> None:
    assert printed_by(TWO_AT_ONCE, f"sqlite:///{tmp_path}/twice.sqlite3", tmp_path) == "1 1"


@pytest.mark.postgresql
def test_two_at_once_on_postgresql(tmp_path: Path, postgresql_url: str) -> None:
    assert printed_by(TWO_AT_ONCE, database_beside(postgresql_url, "twice"), tmp_path) == "1 1"
