"""Answers to what the record's soft rules ask about an operation or a second look. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import fields
from functools import cache
from typing import Any

from registry.demo.shapes import or_default
from registry.demo.story import ImplantStory, LookFindingStory, ProcedureStory, SoftAnswerStory, TearStory
from registry.demo.world import World
from registry.rules.healing import second_look_class
from registry.rules.questions import (
    Question,
    implant_questions,
    look_questions,
    operation_questions,
    pass_questions,
    repair_questions,
    tear_questions,
)


def answers_on_operation(
    world: World, procedure: ProcedureStory, implants: Sequence[ImplantStory]
) -> tuple[SoftAnswerStory, ...]:
    parts = (procedure.measured, procedure.prerequisites, procedure.ligaments)
    operation = {"posteromedial_look": procedure.posteromedial_look}
    for part in parts:
        operation |= _row(part)
    tears = [_row(tear) for tear in procedure.tears]
    asked = operation_questions(operation, tears)
    asked += implant_questions([_row(each) for each in implants], procedure.operated_on)
    about_tears = [
        _answer(world, question, tear.number)
        for tear in procedure.tears
        for question in _questions_on_tear(tear)
    ]
    return (*(_answer(world, question) for question in asked), *about_tears)


def answers_on_look(world: World, findings: Iterable[LookFindingStory]) -> tuple[SoftAnswerStory, ...]:
    return tuple(
        _answer(world, question, finding.tear)
        for finding in findings
        for question in look_questions(
            _row(finding),
            second_look_class(finding.healed_thickness_percent, finding.healed_length_percent),
        )
    )


def _questions_on_tear(tear: TearStory) -> list[Question]:
    asked = tear_questions(_row(tear))
    if tear.repair:
        asked += repair_questions(_row(tear.repair))
        asked += pass_questions([_row(each) for each in tear.repair.passes])
    return asked


def _answer(world: World, question: Question, tear: int | None = None) -> SoftAnswerStory:
    answers = or_default(world.truth.keeping.answers, question.code)
    return SoftAnswerStory(tear, question.code, world.dice.pick(answers))


def _row(story: Any) -> dict[str, Any]:
    """A part of a story as the rules read it: values by field."""
    return {name: getattr(story, name) for name in _names(story.__class__)}


@cache
def _names(kind: Any) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind))
