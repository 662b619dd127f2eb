"""The stories: the same ones every time, placed relative to the closing date, and true to themselves."""

import subprocess
import sys
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from datetime import date, datetime, timedelta
from math import prod
from pathlib import Path
from typing import Any

import pytest

from registry.demo.scenario import generate
from registry.demo.story import InjuryStory, KneeStory, PatientStory
from registry.demo.truth import Step, Truth
from registry.rules.acuity import acuity
from tests.registry.demo.conftest import UNTIL

ROOT = Path(__file__).resolve().parents[3]


def test_no_patients_no_stories(truth: Truth) -> None:
    assert list(generate(0, 1, UNTIL, truth)) == []


def test_telling_needs_no_django() -> None:
    told = "import sys, registry.demo.scenario; sys.exit('django' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", told], cwd=ROOT).returncode == 0


def test_same_seed_same_stories(truth: Truth) -> None:
    assert list(generate(150, 3, UNTIL, truth)) == list(generate(150, 3, UNTIL, truth))


def test_another_seed_other_stories(truth: Truth) -> None:
    assert list(generate(20, 3, UNTIL, truth)) != list(generate(20, 4, UNTIL, truth))


def test_more_patients_go_on_where_fewer_ended(truth: Truth) -> None:
    assert list(generate(300, 3, UNTIL, truth))[:120] == list(generate(120, 3, UNTIL, truth))


def test_stories_are_told_one_at_a_time(truth: Truth) -> None:
    assert next(generate(10**9, 1, UNTIL, truth)).number == 1


# --- Moving the closing date ---------------------------------------------------------------------

SHIFT = timedelta(days=173)


def leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Every plain value of a story with the path that leads to it."""
    if is_dataclass(value):
        for field in fields(value):
            yield from leaves(getattr(value, field.name), f"{path}.{field.name}")
    elif isinstance(value, tuple):
        for place, item in enumerate(value):
            yield from leaves(item, f"{path}[{place}]")
    else:
        yield path, value


def rounded_to_the_calendar(story: PatientStory) -> set[str]:
    """Paths of the two kinds of date that a calendar month or year fixes."""
    injuries = {
        f".knees[{k}].procedures[{p}].injury.injured_on"
        for k, knee in enumerate(story.knees)
        for p, procedure in enumerate(knee.procedures)
        if procedure.injury.injury_date_precision == "month"
    }
    return injuries if story.born_on_is_exact else injuries | {".born_on"}


def test_moving_until_moves_every_date_alike(truth: Truth) -> None:
    here, there = generate(400, 5, UNTIL, truth), generate(400, 5, UNTIL + SHIFT, truth)
    moved = 0
    for before, after in zip(here, there, strict=True):
        rounded = rounded_to_the_calendar(before)
        for (path, old), (same_path, new) in zip(leaves(before), leaves(after), strict=True):
            assert path == same_path
            if path not in rounded:
                assert new == (old + SHIFT if isinstance(old, date) else old), path
                moved += isinstance(old, date)
    assert moved > 5_000


# --- True to themselves --------------------------------------------------------------------------


def knees(stories: list[PatientStory]) -> Iterator[tuple[PatientStory, KneeStory]]:
    for story in stories:
        for knee in story.knees:
            yield story, knee


def event_days(knee: KneeStory) -> list[date]:
    return [
        *(each.seen_on for each in knee.visits),
        *(each.imaged_on for each in knee.imaging),
        *(each.looked_on for each in knee.looks),
        *(each.operated_on for each in knee.reoperations),
        *(each.noticed_on for each in knee.complications),
        *(each.contacted_on for each in knee.contacts),
        *(each.operated_on for each in knee.procedures),
    ]


def test_events_lie_between_first_operation_and_death_or_close(stories: list[PatientStory]) -> None:
    for story, knee in knees(stories):
        last = story.died_on or UNTIL - timedelta(days=1)
        days = event_days(knee)
        assert knee.procedures[0].operated_on == min(days)
        assert max([*days, *(each.answered_on for each in knee.scores)]) <= last


def test_nothing_is_entered_before_it_happened_or_after_the_close(stories: list[PatientStory]) -> None:
    for _, knee in knees(stories):
        for path, value in leaves(knee):
            if isinstance(value, datetime):
                assert value.date() < UNTIL, path
        for visit in knee.visits:
            assert visit.recorded_at.date() >= visit.seen_on
            assert visit.recorded_at >= knee.procedures[0].recorded_at


def test_no_news_of_those_who_left(stories: list[PatientStory]) -> None:
    """The last word of a patient who left is a contact, and nothing after it reaches the record."""
    left = [story for story in stories if story.end_of_follow_up]
    assert len(left) > 100
    for story, knee in knees(left):
        assert story.end_of_follow_up
        assert max(event_days(knee)) <= story.end_of_follow_up.ended_on
        if max(event_days(knee)) > knee.procedures[0].operated_on and not replaced(knee):
            assert max(event_days(knee)) == max(each.contacted_on for each in knee.contacts)


def replaced(knee: KneeStory) -> bool:
    return any(each.other_surgery.endswith("replacement") for each in knee.reoperations)


def test_each_hazard_ratio_is_the_product_of_its_levels(stories: list[PatientStory], truth: Truth) -> None:
    """As far as the record shows the levels; a month-exact injury may show a neighbouring acuity."""
    ratios, checked = truth.failure.hazard_ratio, 0
    for _, knee in knees(stories):
        for procedure in knee.procedures:
            for tear in procedure.tears:
                if tear.repair is None or not tear.vascular_zone or not known_to_the_day(procedure.injury):
                    continue
                days = (procedure.operated_on - procedure.injury.injured_on).days
                factors = (
                    ratios.vascular_zone[tear.vascular_zone],
                    ratios.acuity[acuity(days)],
                    ratios.ligament_surgery[procedure.ligaments.surgery],
                    ratios.surgeon[procedure.team.lead_surgeon],
                    1 if tear.revises is None else ratios.revision,
                )
                assert tear.repair.latent.hazard_ratio == pytest.approx(prod(factors), rel=1e-12)
                checked += 1
    assert checked > 1_000


def known_to_the_day(injury: InjuryStory) -> bool:
    return injury.injury_date_precision == "day"


def test_no_failure_lies_elsewhere_than_drawn(stories: list[PatientStory]) -> None:
    """Each recorded failure falls on the day its repair was to fail, whatever looks and imaging showed."""
    failures = 0
    for _, knee in knees(stories):
        repaired = {
            tear.number: (tear, procedure.operated_on)
            for procedure in knee.procedures
            for tear in procedure.tears
            if tear.repair
        }
        for number, day in failed(knee):
            tear, operated_on = repaired[number]
            assert tear.repair
            assert (day - operated_on).days == tear.repair.latent.failure_day
            failures += 1
    assert failures > 150


def failed(knee: KneeStory) -> Iterator[tuple[int, date]]:
    for reoperation in knee.reoperations:
        for on_tear in reoperation.on_tears:
            if on_tear.site == "same" and on_tear.action != "none":
                yield on_tear.tear, reoperation.operated_on
    for procedure in knee.procedures:
        for tear in procedure.tears:
            if tear.revises is not None:
                yield tear.revises, procedure.operated_on


def test_a_knee_has_one_index_procedure_a_day(truth: Truth) -> None:
    """Also where repairs fail so fast that several of a knee fail on one day."""
    fast = replace(truth.failure, baseline_per_year=(Step(0, 400.0),))
    days = [
        [each.operated_on for each in knee.procedures]
        for _, knee in knees(list(generate(400, 1, UNTIL, replace(truth, failure=fast))))
    ]
    assert sum(len(each) > 1 for each in days) > 50
    assert all(len(each) == len(set(each)) for each in days)


def test_no_repair_fails_twice(stories: list[PatientStory]) -> None:
    for _, knee in knees(stories):
        numbers = [number for number, _ in failed(knee)]
        assert len(numbers) == len(set(numbers))
