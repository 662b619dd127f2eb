"""Creating once under a key, also when two ask at the same moment."""

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone

from registry.models import Contact, Creation
from tests.conftest import Cast
from tests.registry.apart import database_beside, printed_by
from tests.registry.api.asking import asker


def a_contact(cast: Cast, **changes: Any) -> dict[str, Any]:
    return {"knee": str(cast.knee.uuid), "contacted_on": "2024-09-01", "source": "phone", **changes}


def test_the_same_request_under_the_same_key_creates_once(cast: Cast) -> None:
    program = asker(cast.surgeon)
    first = program.post("/contacts/", a_contact(cast), Idempotency_Key="a")
    again = program.post("/contacts/", a_contact(cast), Idempotency_Key="a")
    assert [first.status_code, again.status_code] == [201, 201]
    assert (
        first.headers["Location"] == again.headers["Location"] == f"/api/v1/contacts/{first.json()['uuid']}/"
    )
    assert "Idempotent-Replayed" not in first.headers
    assert again.headers["Idempotent-Replayed"] == "true"
    assert Contact.objects.count() == 1


def test_a_replay_shows_the_entry_as_it_stands(cast: Cast) -> None:
    program = asker(cast.surgeon)
    made = program.post("/contacts/", a_contact(cast), Idempotency_Key="a").json()
    change = {"source": "letter", "correction_reason": "It was a letter"}
    program.patch(f"/contacts/{made['uuid']}/", change)
    assert program.post("/contacts/", a_contact(cast), Idempotency_Key="a").json()["source"] == "letter"


def test_another_request_under_a_used_key_is_refused(cast: Cast) -> None:
    program = asker(cast.surgeon)
    program.post("/contacts/", a_contact(cast), Idempotency_Key="a")
    other = program.post("/contacts/", a_contact(cast, source="letter"), Idempotency_Key="a")
    assert other.status_code == 422
    assert other.json()["type"].endswith("key_used")
    assert asker(cast.clinician).post("/contacts/", a_contact(cast, source="letter"), Idempotency_Key="a")
    assert Contact.objects.count() == 2  # a key is of its person


def test_a_refused_request_uses_no_key(cast: Cast) -> None:
    program = asker(cast.surgeon)
    refused = program.post("/contacts/", a_contact(cast, contacted_on="2020-01-01"), Idempotency_Key="a")
    assert refused.status_code == 422
    assert program.post("/contacts/", a_contact(cast), Idempotency_Key="a").status_code == 201


def test_a_key_is_kept_for_a_day(cast: Cast) -> None:
    program = asker(cast.surgeon)
    program.post("/contacts/", a_contact(cast), Idempotency_Key="a")
    Creation.objects.update(made_at=timezone.now() - timedelta(hours=23))
    assert program.post("/contacts/", a_contact(cast), Idempotency_Key="a").status_code == 201
    Creation.objects.update(made_at=timezone.now() - timedelta(hours=25))
    again = program.post("/contacts/", a_contact(cast), Idempotency_Key="a")
    assert again.status_code == 409  # no replay: the same contact twice
    assert again.json()["on_record"].startswith("/api/v1/contacts/")
    assert (
        program.post("/contacts/", a_contact(cast, source="letter"), Idempotency_Key="b").status_code == 201
    )
    assert [each.key for each in Creation.objects.all()] == ["b"]  # the outdated one is cleared away


@pytest.mark.any_engine
@pytest.mark.parametrize("key", ["", "x" * 256, "with space", "né"])
def test_without_a_sound_key_nothing_is_created(cast: Cast, key: str) -> None:
    refused = asker(cast.surgeon).post("/contacts/", a_contact(cast), Idempotency_Key=key)
    assert refused.status_code == 428
    assert not Contact.objects.exists()


AT_ONCE = """
import threading
import django
django.setup()
from django.db import connection
from tests import factories
from tests.registry.api.asking import asker
from tests.tables import make_tables
from registry.models import Contact

make_tables()
unit = factories.a_unit("northmere")
oak = factories.a_person("oak", ("surgeon", unit))
repair = factories.a_repair(factories.an_operation(unit, factories.a_surgeon(unit, "oak", oak)))
body = {"knee": str(repair.tear.procedure.knee.uuid), "contacted_on": "2024-09-01", "source": "phone"}
program, gate, answers = asker(oak), threading.Barrier(4), []
program.get("/contacts/")  # what is imported on first use is so by now

def send():
    gate.wait(60)
    answer = program.post("/contacts/", body, Idempotency_Key="at-once")
    answers.append((answer.status_code, answer.headers.get("Idempotent-Replayed", "")))
    connection.close()

threads = [threading.Thread(target=send) for _ in range(4)]
for thread in threads: thread.start()
for thread in threads: thread.join(120)
assert sorted(answers) == [(201, ""), (201, "true"), (201, "true"), (201, "true")], answers
print(Contact.objects.count())
"""


@pytest.mark.any_engine
def test_of_four_at_once_exactly_one_creates_on_sqlite(tmp_path: Path) -> None:
    assert printed_by(AT_ONCE, f"sqlite:///{tmp_path}/once.sqlite3", tmp_path) == "1"


@pytest.mark.postgresql
def test_of_four_at_once_exactly_one_creates_on_postgresql(tmp_path: Path, postgresql_url: str) -> None:
    assert printed_by(AT_ONCE, database_beside(postgresql_url, "api_once"), tmp_path) == "1"
