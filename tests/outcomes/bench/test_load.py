"""`manage.py bench load`: it asks the real pages, counts what it was told, and finds what is missing."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone
from pytest_django.live_server_helper import LiveServer

from outcomes.bench.load import Bench, Phase, Times
from outcomes.bench.load.found import Writes, versions_of
from outcomes.bench.load.mix import OPENED, PAGES, Person, VisitPlace
from outcomes.bench.load.people import NO_DEMO, clinician, people
from outcomes.management.commands.bench import BENCHES
from registry.demo.cast import Cast as DemoCast
from registry.models import Correction, User, Visit
from registry.vocabulary import Role
from tests import factories
from tests.registry.apart import PROJECT

CLIENTS = 3


def a_small_demo() -> User:
    """The demo's clinician, with a few knees operated on long ago."""
    account = next(each for each in DemoCast.read().accounts if each.role == Role.CLINICIAN)
    unit = factories.a_unit(account.units[0])
    oak = factories.a_surgeon(unit, "oak")
    for _ in range(CLIENTS):
        long_ago = timezone.localdate() - timedelta(days=700)
        factories.a_repair(factories.an_operation(unit, oak, operated_on=long_ago))
    return factories.a_person(account.username, ("clinician", unit))


@pytest.fixture
def port(transactional_db: None) -> Iterator[int]:
    server = LiveServer("localhost")
    yield server.thread.port
    server.stop()


@pytest.fixture
def crowd(port: int) -> list[Person]:
    """Two people, one of whom has recorded the visit that both correct."""
    shared: list[VisitPlace] = []
    a_small_demo()
    crowd = people(port, clinician(2), 2, shared)
    place = crowd[0].record()
    assert place is not None
    shared.append(place)
    for person in crowd:
        person.begin_anew()
    return crowd


def test_one_round_asks_every_page_and_every_write_is_found(crowd: list[Person]) -> None:
    person = crowd[0]
    before = versions_of(person.shared)
    for step in person.steps():
        step()
    assert [each.page for each in person.browser.asked if not each.is_right] == []
    assert {each.page for each in person.browser.asked} == set(PAGES)
    writes = Writes.of(crowd, versions_of(person.shared) - before)
    assert writes == Writes(1, 1, 1, 1, 1, 0)
    assert writes.none_lost
    assert Visit.objects.filter(uuid=person.recorded[0]).exists()
    # A write that is gone is missed.
    person.recorded.append(person.shared[0].knee)
    assert not Writes.of(crowd, 1).none_lost
    assert not replace(writes, versions_added=2).none_lost


def test_who_comes_second_with_a_correction_is_told_and_counted_apart(
    crowd: list[Person], monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = crowd
    ask = second.browser.ask

    def ask_slowly(name: str, *args: Any, **more: Any) -> Any:
        page = ask(name, *args, **more)
        if name == OPENED:
            first.correct()
        return page

    monkeypatch.setattr(second.browser, "ask", ask_slowly)
    second.correct()
    writes = Writes.of(crowd, versions_of(first.shared) - 1)
    assert (writes.corrections_acknowledged, writes.met, writes.versions_added) == (1, 1, 1)
    assert writes.none_lost
    assert Correction.objects.get(reason__in=first.corrected)


def test_without_the_demo_nothing_is_written(db: None) -> None:
    with pytest.raises(ValueError, match=NO_DEMO.partition(".")[0]):
        clinician(1)


TIMES = Times(90, 0, 0.1, 0.3, 0.5)
PHASE = Phase(50, 60.0, TIMES, 0.0, 1.5, {"Due": TIMES}, Writes(9, 9, 8, 8, 8, 2))
FOUND = Bench("postgresql", 2000, 2, 4, replace(PHASE, clients=1), PHASE)


def test_its_words_put_one_beside_many() -> None:
    words = BENCHES["load"].text(FOUND)
    assert "50 at once for 60 s: 1.5 requests a second, error rate 0.00%" in words
    assert "1 at once for 60 s" in words
    assert "corrections acknowledged 8, found 8, versions added 8; told that somebody was first: 2" in words


@pytest.mark.parametrize(
    "spoilt",
    [
        {"all": replace(TIMES, errors=1)},
        {"writes": replace(PHASE.writes, visits_found=8)},
        {"writes": replace(PHASE.writes, corrections_found=7)},
        {"writes": replace(PHASE.writes, versions_added=9)},
    ],
)
def test_it_fails_by_an_error_or_a_lost_write(spoilt: dict[str, Any]) -> None:
    assert BENCHES["load"].holds(FOUND)
    assert not BENCHES["load"].holds(replace(FOUND, many=replace(PHASE, **spoilt)))


SEED = (
    "import django; django.setup(); from tests.tables import make_tables; make_tables(); "
    "from tests.outcomes.bench.test_load import a_small_demo; a_small_demo()"
)


@pytest.mark.slow
@pytest.mark.any_engine
def test_it_runs_on_a_served_site(tmp_path: Path) -> None:
    environment = os.environ | {
        "DJANGO_SETTINGS_MODULE": "registry.site.settings",
        "RIMWARD_LOCAL_DIR": str(tmp_path),
        "DATABASE_URL": f"sqlite:///{tmp_path / 'rimward.sqlite3'}",
    }

    def run(*command: str) -> str:
        words = [sys.executable, *command]
        done = subprocess.run(words, cwd=PROJECT, env=environment, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr[-3000:]
        return done.stdout

    run("-c", SEED)
    found = json.loads(run("manage.py", "bench", "load", f"--clients={CLIENTS}", "--seconds=5", "--json"))
    for part, clients in (("one", 1), ("many", CLIENTS)):
        assert found[part]["clients"] == clients
        assert found[part]["all"]["errors"] == 0
        assert found[part]["all"]["asked"] == sum(each["asked"] for each in found[part]["pages"].values()) > 0
