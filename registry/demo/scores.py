"""Lysholm forms before the operation and after, as consistent with the knee's state as people are. Pure."""

from datetime import date

from registry.demo.course import Course
from registry.demo.review_stories import ScoreStory
from registry.demo.story import ProcedureStory, ReoperationStory
from registry.demo.world import World, after
from registry.rules.schedule import DEFAULT_PLAN
from registry.scoring import Item
from registry.scoring.lysholm import LYSHOLM

BASELINE = "baseline"


def scores(
    world: World, course: Course, reoperations: tuple[ReoperationStory, ...]
) -> tuple[ScoreStory, ...]:
    """One form before each operation and one at each planned time, of those sent back."""
    told: dict[date, ScoreStory] = {}
    reoperated_on = [each.operated_on for each in reoperations]
    for place, procedure in enumerate(course.procedures):
        later = _later(world, course, procedure, course.until_next(place), reoperated_on)
        for each in (*_baseline(world, procedure), *later):
            told.setdefault(each.answered_on, each)
    return tuple(told[day] for day in sorted(told))


def _baseline(world: World, procedure: ProcedureStory) -> list[ScoreStory]:
    truth, dice = world.truth.scores, world.dice
    if not dice.chance(truth.baseline_answered):
        return []
    day = after(procedure.operated_on, -dice.within(truth.baseline_days_before))
    return [_form(world, procedure, day, BASELINE, "not_asked")]


def _later(
    world: World, course: Course, procedure: ProcedureStory, until: date, reoperated_on: list[date]
) -> list[ScoreStory]:
    truth, dice = world.truth.scores, world.dice
    told = []
    for review in DEFAULT_PLAN:
        day = after(procedure.operated_on, review.due_day + dice.within(truth.jitter_days))
        share = truth.answered.get(review.code, 0) * world.truth.follow_up.kept_by_unit[procedure.unit]
        if dice.chance(share) and day <= until:
            since = any(procedure.operated_on < on <= day for on in reoperated_on)
            state = state_on(world, course, procedure, day)
            told.append(_form(world, procedure, day, state, _reoperated(world, since)))
    return told


def state_on(world: World, course: Course, procedure: ProcedureStory, day: date) -> str:
    """What the trouble of a day is drawn by: the state of the knee, or where it is in its course."""
    if day <= procedure.operated_on:
        return BASELINE
    state = course.state_on(day)
    soon = (day - procedure.operated_on).days < world.truth.scores.recovering_until_day
    return "recovering" if soon and state in ("holding", "sore") else state


def _reoperated(world: World, reoperated: bool) -> str:
    """Answer to whether the knee was operated on again since the operation asked about."""
    answer = world.dice.pick(world.truth.scores.reoperated_asked)
    if answer != "answered":
        return answer
    return "yes" if reoperated else "no"


def _form(world: World, procedure: ProcedureStory, day: date, state: str, reoperated: str) -> ScoreStory:
    items = _items(world, world.dice.spread(world.truth.scores.trouble[state]))
    return ScoreStory(
        uuid=world.uuid(),
        recorded_at=world.entered(day, procedure.recorded_at),
        answered_on=day,
        instrument=LYSHOLM.code,
        instrument_version=LYSHOLM.version,
        items=items,
        scale_values=LYSHOLM.values(items),
        way="clinic" if state == BASELINE else "paper",
        reoperated_since=reoperated,
    )


def _items(world: World, trouble: float) -> dict[str, int]:
    """Answers to the whole form, or to the first part of it only."""
    items = LYSHOLM.items
    if world.dice.chance(world.truth.scores.half_answered):
        items = items[: world.dice.within((0, len(items) - 1))]
    return {item.code: _answer(world, item, trouble) for item in items}


def _answer(world: World, item: Item, trouble: float) -> int:
    """The allowed answer nearest to the trouble, on the item's own scale from best to worst."""
    steps = len(item.allowed) - 1
    felt = trouble + world.dice.spread(world.truth.scores.item_noise)
    return item.allowed[min(max(round(felt * steps), 0), steps)]
