"""Details of an operation: in usual shares whatever the seed, and moving nothing else in the story."""

from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from typing import Any

import pytest

from registry.demo.scenario import generate
from registry.demo.story import ProcedureStory, TearStory
from registry.demo.truth import Truth
from registry.models.procedures import OTHER_PROCEDURES
from registry.vocabulary import Graft, PassConfiguration, ReoperationAction
from tests.registry.demo.conftest import UNTIL
from tests.registry.demo.telling import Stories, knees, procedures, repairs, share, tears


def of_procedures(what: Callable[[ProcedureStory], bool]) -> Callable[[Stories], float]:
    return lambda told: share([what(each) for each in procedures(told)])


def of_tears(what: Callable[[TearStory], bool]) -> Callable[[Stories], float]:
    return lambda told: share([what(each) for each in tears(told)])


SHARES: dict[str, tuple[float, float, Callable[[Stories], float]]] = {
    "rim width measured": (0.28, 0.40, of_tears(lambda tear: tear.rim_width_mm is not None)),
    "placed on the map": (0.78, 0.90, of_tears(lambda tear: tear.map_step is not None)),
    "passes told": (0.90, 0.97, lambda told: share([bool(each.passes) for _, each in repairs(told)])),
    "implants told": (0.55, 0.80, of_procedures(lambda each: bool(each.note.implants))),
    "rehabilitation planned": (0.86, 0.94, of_procedures(lambda each: bool(each.note.rehabilitation))),
    "rehabilitation as it went": (0.15, 0.32, of_procedures(lambda each: len(each.note.rehabilitation) > 1)),
    "signed": (0.95, 0.99, of_procedures(lambda each: each.note.signed_at is not None)),
    "a question answered": (0.02, 0.12, of_procedures(lambda each: bool(each.note.soft_answers))),
    "other surgery": (0.05, 0.20, of_procedures(lambda each: any(others(each)))),
    "read a second time": (
        0.12,
        0.19,
        lambda told: sum(len(each.note.readings) for each in procedures(told)) / len(tears(told)),
    ),
    "vertical among all-inside passes": (0.68, 0.84, lambda told: among_all_inside(told, "vertical")),
    "2-0 among all-inside passes": (0.88, 0.97, lambda told: among_all_inside(told, "2-0")),
}


def others(procedure: ProcedureStory) -> list[bool]:
    return [getattr(procedure.same_sitting, name) for name in OTHER_PROCEDURES]


def among_all_inside(told: Stories, code: str) -> float:
    passes = [each for _, repair in repairs(told) for each in repair.passes if each.technique == "all_inside"]
    return share([code in (each.configuration, each.suture_size) for each in passes])


@pytest.mark.parametrize("what", SHARES)
def test_the_usual_share_of(what: str, told: Stories) -> None:
    low, high, measured = SHARES[what]
    assert low <= measured(told) <= high


SHOWN: dict[str, tuple[set[str], Callable[[Stories], set[str]]]] = {
    "graft": (
        {"", *Graft.values},
        lambda told: {each.same_sitting.graft for each in procedures(told)},
    ),
    "configuration of passes": (
        set(PassConfiguration.values),
        lambda told: {each.configuration for _, repair in repairs(told) for each in repair.passes},
    ),
    "action at a look": (
        set(ReoperationAction.values),
        lambda told: {each.action for knee in knees(told) for look in knee.looks for each in look.findings},
    ),
    "other surgery": (
        set(OTHER_PROCEDURES),
        lambda told: {
            name for each in procedures(told) for name in OTHER_PROCEDURES if getattr(each.same_sitting, name)
        },
    ),
}


@pytest.mark.parametrize("what", SHOWN)
def test_every_code_occurs_of(what: str, stories: Stories) -> None:
    codes, shown = SHOWN[what]
    assert shown(stories) == codes


# Parts of a story that hold details alone; the keys of entries are drawn with them.
DETAILS = {
    "note", "same_sitting", "passes", "duplicates", "soft_answers", "uuid",
    "rim_width_mm", "root_distance_mm", "map_step",
}  # fmt: skip


def test_another_truth_of_details_tells_the_same_course(truth: Truth) -> None:
    changed = replace(
        truth,
        passes=replace(truth.passes, missing=1.0),
        readings=replace(truth.readings, share=0.9),
        tears=replace(truth.tears, rim_width_measured=1.0, map_step_missing=1.0),
        keeping=replace(truth.keeping, bmi_mistyped=1.0, visit_entered_twice=1.0),
    )
    here, there = (list(generate(200, 3, UNTIL, each)) for each in (truth, changed))
    assert here != there
    assert list(map(course, here)) == list(map(course, there))


def course(story: Any) -> Any:
    """A story without its details."""
    if isinstance(story, tuple):
        return [course(each) for each in story]
    if not is_dataclass(story):
        return story
    kept = (field.name for field in fields(story) if field.name not in DETAILS)
    return {name: course(getattr(story, name)) for name in kept}
