"""Many at the same moment, on a database that lets them: no sixth try, and everything on record once."""

from pathlib import Path

import pytest

from tests.registry.apart import database_beside, printed_by

# Reports and scores on record after all were sent at the same moment, and the report's version.
ONE_OF_EACH = "1 1 1"
AT_ONCE = """
import threading
import django
import time_machine
django.setup()
from django.db import connection
from django.test import Client
from tests import factories
from tests.tables import make_tables
from registry.models import KnockCount, PatientLink, PatientReport, ScoreResponse
from registry.patient_link.making import make_link
from registry.patient_link.token import token_of

# No span of counted knocks ends in the middle.
time_machine.travel("2026-03-01T12:05:00Z", tick=False).start()
make_tables()
unit = factories.a_unit("northmere")
knee = factories.a_repair(factories.an_operation(unit, factories.a_surgeon(unit, "oak"))).tear.procedure.knee


def at_once(many, send):
    gate, answers = threading.Barrier(many), []
    def one(number):
        try:
            gate.wait(60)
            answers.append(send(number).status_code)
        except Exception as error:
            answers.append(repr(error))
        finally:
            connection.close()
    threads = [threading.Thread(target=one, args=(number,)) for number in range(many)]
    for thread in threads: thread.start()
    for thread in threads: thread.join(120)
    return answers


def browser(path):
    client = Client(SERVER_NAME="localhost")
    assert client.post(path, {"year": "1995"}).status_code == 303
    return client


path = f"/r/{token_of(make_link(knee, '3m').uuid)}/"
def from_two_addresses(number):
    return Client(SERVER_NAME="localhost", REMOTE_ADDR=f"192.0.2.{number % 2}").post(path, {"year": "1980"})
tried = at_once(10, from_two_addresses)
assert tried == [403] * 10, tried
assert PatientLink.objects.get().wrong_tries == 5
assert [count.knocks for count in KnockCount.objects.all()] == [5, 5]

link = make_link(knee, "3m", instruments=["pain_nrs"])
path = f"/r/{token_of(link.uuid)}/"
clients = [browser(path) for _ in range(4)]
first = {"screen": "again", "again": "yes", "where": "Alder Clinic", "go": "next"}
told = at_once(4, lambda number: clients[number].post(path, first))
assert told == [303] * 4, told
for screen in ({"screen": "signs", "none": "on"}, {"screen": "pain_nrs-1", "pain": "7", "anyway": "yes"}):
    clients[0].post(path, {**screen, "go": "next"})
sent = at_once(4, lambda number: clients[number].post(path, {"screen": "send", "go": "next"}))
assert sent == [303] * 4, sent
assert all("Thank you" in client.get(path).content.decode() for client in clients)
print(PatientReport.objects.count(), ScoreResponse.objects.count(), PatientReport.objects.get().version)
"""


def test_at_once_on_sqlite(tmp_path: Path) -> None:
    assert printed_by(AT_ONCE, f"sqlite:///{tmp_path}/knocks.sqlite3", tmp_path) == ONE_OF_EACH


@pytest.mark.postgresql
def test_at_once_on_postgresql(tmp_path: Path, postgresql_url: str) -> None:
    assert printed_by(AT_ONCE, database_beside(postgresql_url, "knocks"), tmp_path) == ONE_OF_EACH
