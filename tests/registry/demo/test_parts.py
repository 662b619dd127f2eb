"""Many patients are told in parts by several processes: the same record whoever tells what, or none."""

from collections import defaultdict
from collections.abc import Hashable
from dataclasses import replace
from itertools import pairwise
from math import exp, sqrt
from typing import Any

import pytest
from django.db import transaction

from registry.demo import batches
from registry.demo.batches import Order, part_in_batches
from registry.demo.cast import Cast
from registry.demo.dice import NEVER_DAYS
from registry.demo.hazard import cumulative_hazard
from registry.demo.load import load, load_scenario
from registry.demo.people import take_in
from registry.demo.processes import BrokenOff
from registry.demo.rows import TABLES, last_keys
from registry.demo.scenario import Scenario, generate
from registry.demo.truth import Truth
from registry.models import Correction, Patient, Surgeon, Unit, User
from registry.sealing import is_sealed
from tests.registry.demo.conftest import UNTIL
from tests.registry.demo.telling import repairs

PASSWORD = "cobalt-meadow-19"
# The index of a hospital number is keyed by its unit's key.
DIFFERS_EACH_TIME = {"withdrawn_at", "hospital_number_index"} | {
    field.attname for table in TABLES for field in table._meta.concrete_fields if is_sealed(field.attname)
}
CAST: dict[Any, str] = {Unit: "code", Surgeon: "code", User: "username"}


@pytest.fixture
def scenario(truth: Truth) -> Scenario:
    """Three parts of 12 patients and one of 5, with many a mistake to put right."""
    keeping = replace(truth.keeping, bmi_mistyped=0.3, visit_entered_twice=0.2)
    return Scenario(41, 4, UNTIL, replace(truth, keeping=keeping), patients_a_part=12)


def record() -> dict[str, list[dict[str, Any]]]:
    """Every row of the demo and what was put right in them.

    Of seals and moments of withdrawal, which differ each time, only whether there is one; the cast by code,
    since PostgreSQL gives no key twice even after a load that was taken back.
    """
    rows = {table: list(table._base_manager.order_by("pk").values()) for table in TABLES}
    for table, kept in rows.items():
        for name in DIFFERS_EACH_TIME & {field.attname for field in table._meta.concrete_fields}:
            for row in kept:
                row[name] = bool(row[name])
        for field in table._meta.concrete_fields:
            if field.related_model in CAST:
                codes = dict(field.related_model._base_manager.values_list("pk", CAST[field.related_model]))
                for row in kept:
                    row[field.attname] = codes.get(row[field.attname])
    told = ("kind", "row_table", "row_id", "reason", "made_by__username", "before")
    corrections = list(Correction.objects.order_by("pk").values(*told))
    return {table.__name__: kept for table, kept in rows.items()} | {"Correction": corrections}


# --- Parts ---------------------------------------------------------------------------------------


def test_the_first_part_is_the_whole_of_a_scenario_as_small(truth: Truth) -> None:
    first = Scenario(60, 3, UNTIL, truth, patients_a_part=40).part(0)
    assert list(first) == list(generate(40, 3, UNTIL, truth))


def test_parts_go_on_one_after_the_other(truth: Truth) -> None:
    scenario = Scenario(25, 3, UNTIL, truth, patients_a_part=10)
    told = [[story.number for story in scenario.part(part)] for part in scenario.parts]
    assert told == [list(range(1, 11)), list(range(11, 21)), list(range(21, 26))]


def drawn(scenario: Scenario, part: int) -> dict[Hashable, list[float]]:
    """By the cells within which they are balanced, what repairs' days of failure were drawn by, in turn."""
    told: dict[Hashable, list[float]] = defaultdict(list)
    baseline = scenario.truth.failure.baseline_per_year
    for tear, repair in repairs(list(scenario.part(part))):
        latent = repair.latent
        if latent.failure_day < NEVER_DAYS:
            hazard = cumulative_hazard(baseline, latent.failure_day) * latent.hazard_ratio
            again = tear.revises is not None
            cell = (latent.vascular_zone, latent.acuity, latent.ligament_surgery, repair.augmentation, again)
            told[cell].append(1 - exp(-hazard))
    return told


def test_failures_are_balanced_within_each_part(truth: Truth) -> None:
    """Gaps of n places of a golden-ratio sequence: below (1 + 2 / sqrt 5) / n, by the three gaps theorem.

    From memory; of independent draws the largest would be about log(n) / n. Days are whole, hence the rest.
    """
    scenario = Scenario(1_000, 3, UNTIL, truth, patients_a_part=500)
    first, second = (max(drawn(scenario, part).values(), key=len) for part in scenario.parts)
    for places in (first, second):
        assert len(places) > 30
        gaps = [later - earlier for earlier, later in pairwise(sorted(places))]
        assert max(gaps) < (1 + 2 / sqrt(5)) / len(places) + 0.002
    assert abs(first[0] - second[0]) > 0.002


# --- Into the record -----------------------------------------------------------------------------


@pytest.mark.django_db
@pytest.mark.any_engine
def test_the_record_is_the_same_however_many_processes_told_it(scenario: Scenario) -> None:
    with transaction.atomic():
        load(scenario.part(0), Cast.read(), UNTIL, lambda _: PASSWORD)
        first_alone = record()
        transaction.set_rollback(True)
    told = []
    for processes in (1, 2):
        with transaction.atomic():
            reached: list[int] = []
            load_scenario(scenario, Cast.read(), lambda _: PASSWORD, reached.append, processes)
            assert reached == [12, 24, 36, 41]
            told.append(record())
            transaction.set_rollback(True)
    one, two = told
    assert len(one["Patient"]) == 41
    assert len(one["Correction"]) > 5
    assert one == two
    assert all(one[name][: len(rows)] == rows for name, rows in first_alone.items())


@pytest.mark.django_db
@pytest.mark.any_engine
def test_a_process_that_fails_leaves_nothing_behind_and_says_why(scenario: Scenario) -> None:
    """The truth lacks what the patients of one unit need, which shows once they are told."""
    nobody = replace(scenario.truth.people, lead_surgeon={})
    broken = replace(scenario, truth=replace(scenario.truth, people=nobody))
    with pytest.raises(BrokenOff, match="KeyError"):
        load_scenario(broken, Cast.read(), lambda _: PASSWORD, processes=1)
    assert not Patient.ever.exists()
    assert not Unit.objects.exists()
    assert not User.objects.exists()


@pytest.mark.django_db
def test_a_part_with_more_rows_than_keys_is_refused_in_words(
    scenario: Scenario, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(batches, "KEYS_TO_SPARE", 0)
    monkeypatch.setattr(batches, "KEYS_OF_OTHERS", 1)
    order = Order(scenario, take_in(Cast.read(), UNTIL, lambda _: PASSWORD), last_keys(), as_copy=False)
    with pytest.raises(ValueError, match=r"Part 1 has \d+ rows of \w+, keys for 12 only\."):
        part_in_batches(order, 1)
