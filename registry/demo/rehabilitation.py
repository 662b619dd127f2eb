"""Rehabilitation after an operation: as planned, and as it went where that was asked. Pure."""

from dataclasses import replace

from registry.demo.dice import DAYS_PER_YEAR
from registry.demo.person import Person
from registry.demo.shapes import or_default
from registry.demo.story import ProcedureStory, RehabilitationStory
from registry.demo.world import World, after

DAYS_PER_MONTH = DAYS_PER_YEAR / 12
# What is guarded longest comes first.
GUARDED = ("root", "radial")


def rehabilitation(
    world: World, person: Person, procedure: ProcedureStory
) -> tuple[RehabilitationStory, ...]:
    """The plan, if there was one on record; and its course, if the patient was still followed at its end."""
    truth, dice = world.truth.rehabilitation, world.dice
    planned = _planned(world, procedure)
    actual = _actual(world, planned)
    ends_on = after(procedure.operated_on, round((planned.sport_return_months or 12) * DAYS_PER_MONTH))
    is_planned, is_known = dice.chance(truth.planned), dice.chance(truth.actual)
    if not is_planned:
        return ()
    return (planned, actual) if is_known and ends_on <= person.departure.seen_until else (planned,)


def _planned(world: World, procedure: ProcedureStory) -> RehabilitationStory:
    truth = world.truth.rehabilitation
    repaired = {tear.pattern for tear in procedure.tears if tear.repair}
    guarded = next((pattern for pattern in GUARDED if pattern in repaired), "default")
    limit_deg = world.grade(truth.flexion_limit_deg[guarded])
    limit_weeks = world.grade(truth.flexion_limit_weeks[guarded])
    return RehabilitationStory(
        course="planned",
        full_weight_bearing_weeks=int(world.dice.pick(truth.full_weight_bearing_weeks[guarded])),
        brace_weeks=int(world.dice.pick(truth.brace_weeks[guarded])),
        flexion_limit_deg=limit_deg,
        flexion_limit_weeks=limit_weeks if limit_deg else None,
        sport_return_months=world.grade(or_default(truth.sport_return_months, procedure.ligaments.surgery)),
    )


def _actual(world: World, planned: RehabilitationStory) -> RehabilitationStory:
    truth, dice = world.truth.rehabilitation, world.dice
    back = planned.sport_return_months and not dice.chance(truth.not_back_in_sport)
    months = max((planned.sport_return_months or 0) + dice.whole(truth.months_off), 1)
    return replace(
        planned,
        course="actual",
        full_weight_bearing_weeks=_off(world, planned.full_weight_bearing_weeks),
        brace_weeks=_off(world, planned.brace_weeks),
        flexion_limit_weeks=planned.flexion_limit_weeks and _off(world, planned.flexion_limit_weeks),
        sport_return_months=months if back else None,
    )


def _off(world: World, weeks: int) -> int:
    """Weeks as they went: a little off the plan, nothing where nothing was planned."""
    off = world.dice.whole(world.truth.rehabilitation.weeks_off)
    return max(weeks + off, 1) if weeks else 0
