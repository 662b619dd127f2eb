"""`manage.py bench pages`: it opens the real pages of a demo; its plain SQL tells the numbers they tell."""

import json
from dataclasses import asdict, replace

import pytest
from django.utils import timezone

from outcomes.bench.pages import Bench, Times
from outcomes.bench.pages.asked import NO_DEMO, PAGES, person_for, units_of
from outcomes.bench.pages.measuring import measured
from outcomes.bench.pages.words import text
from registry.demo.cast import Cast
from registry.demo.load import load
from registry.demo.scenario import generate
from registry.demo.truth import Truth
from registry.vocabulary import Role

pytestmark = pytest.mark.any_engine

PATIENTS = 120
FOUND = {
    "seconds": 3.0,
    "after_seconds": 0.5,
    "kept_seconds": 0.1,
    "sql_seconds": 2.0,
    "peak_bytes": 300 * 10**6,
    "queries": 7,
    "answer_bytes": 5000,
    "agrees": True,
}


@pytest.fixture
def demo(db: None) -> None:
    today = timezone.localdate()
    load(generate(PATIENTS, 4, today, Truth.read()), Cast.read(), today, lambda _: "cobalt-meadow-19")


def test_every_page_is_shown_and_the_plain_sql_tells_the_same_numbers(demo: None) -> None:
    found = {code: measured(page, 1) for code, page in PAGES.items()}
    assert {code: of_page["agrees"] for code, of_page in found.items()} == dict.fromkeys(PAGES, True)
    assert all(of_page["seconds"] > 0 and of_page["sql_seconds"] > 0 for of_page in found.values())
    assert all(of_page["queries"] > 1 and of_page["answer_bytes"] > 1000 for of_page in found.values())


def test_the_plain_sql_is_held_to_numbers_that_are_not_nothing(demo: None) -> None:
    for code, page in PAGES.items():
        known = page.known(who := person_for(page.role), units_of(who))
        assert any(number > 0 for number in known), code


def test_plain_sql_that_tells_other_numbers_is_found_out(demo: None) -> None:
    wrong = replace(PAGES["repairs"], queries=("SELECT count(*) + 1 FROM registry_repair",))
    assert not measured(wrong, 1)["agrees"]


def test_without_the_demo_it_says_so(db: None) -> None:
    with pytest.raises(ValueError, match=NO_DEMO[:30]):
        person_for(Role.AUDIT_LEAD)


def test_aims_are_told_as_pass_or_fail() -> None:
    survival = Times.of("survival", FOUND)
    assert survival.ratio == 1.5
    assert [aim.met for aim in survival.aims] == [True, True, True]
    slow = Times.of("survival", FOUND | {"seconds": 5.0, "kept_seconds": 0.5, "peak_bytes": 600 * 10**6})
    assert [aim.met for aim in slow.aims] == [False, False, False]
    told = text(Bench("sqlite", 1000, (survival, Times.of("due", FOUND | {"seconds": 7.0}))))
    assert "at most 2 x SQL: pass; kept at most 0.1 x SQL: pass" in told
    assert "at most 3 x SQL: FAIL" in told


def test_growth_is_told_from_one_size_to_the_next_and_for_survival_in_two_parts() -> None:
    small = Bench("sqlite", 1000, (Times.of("survival", FOUND),))
    larger = FOUND | {"seconds": 22.0, "after_seconds": 1.0, "sql_seconds": 20.0}
    large = Bench("postgresql", 10_000, (Times.of("survival", larger),))
    told = text(replace(small, also=(large,)))
    assert "from 1,000 repairs (sqlite) to 10,000 (postgresql): x 10.0" in told
    assert "SQL x 10.0; counting is that SQL, everything after it x 2.0" in told


def test_what_is_printed_as_json_is_read_back() -> None:
    bench = Bench("sqlite", 1000, (Times.of("survival", FOUND),))
    assert Bench.from_json(json.loads(json.dumps(asdict(bench)))) == bench
