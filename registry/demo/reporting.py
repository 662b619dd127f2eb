"""What patients report of another operation and of warning signs, and what was found of it. Pure."""

from dataclasses import dataclass
from datetime import date, datetime

from registry.demo.clocks import Planned
from registry.demo.course import Course
from registry.demo.review_stories import ReportStory
from registry.demo.shapes import from_threshold
from registry.demo.story import ReoperationStory
from registry.demo.world import World, after


@dataclass(frozen=True, slots=True)
class Said:
    """The answer, and the place of the operation that it is about, if there was one."""

    operated_again: str
    reoperation: int | None = None
    procedure: int | None = None


def report(
    world: World,
    course: Course,
    planned: Planned,
    reoperations: tuple[ReoperationStory, ...],
    before: ReportStory | None,
    on: date,
    at: datetime,
    way: str,
) -> ReportStory:
    """The report of a day; `before` is the knee's latest one."""
    truth, dice = world.truth.reports, world.dice
    said = _said(world, planned, reoperations, before, on)
    told = said.operated_again != "no"
    known = told and _is_past(world, on, dice.within(truth.looked_into_after_days))
    real = said.reoperation is not None or said.procedure is not None
    language = course.person.language
    sign = _sign(world, planned, on)
    return ReportStory(
        uuid=dice.uuid(),
        recorded_at=at,
        answered_on=on,
        time_point=planned.review.code,
        way=way,
        operated_again=said.operated_again,
        where=dice.pick(truth.where[language]) if told else "",
        when=dice.pick(truth.when[language]) if told else "",
        what=dice.pick(truth.what[language]) if told else "",
        fever=sign == "fever",
        calf_pain=sign == "calf_pain",
        locked_knee=sign == "locked_knee",
        signs_seen_to=sign is not None and _is_past(world, on, dice.within(truth.sign_seen_to_after_days)),
        reoperation=said.reoperation if known else None,
        procedure=said.procedure if known else None,
        no_reoperation_because=dice.pick(truth.set_aside_because) if known and not real else "",
    )


def _said(
    world: World,
    planned: Planned,
    reoperations: tuple[ReoperationStory, ...],
    before: ReportStory | None,
    on: date,
) -> Said:
    truth, dice = world.truth.reports, world.dice
    operated_on = planned.procedure.operated_on
    told_until = max(before.answered_on, operated_on) if before else operated_on
    since = [place for place, each in enumerate(reoperations) if told_until < each.operated_on <= on]
    if since:
        return Said("unsure" if dice.chance(truth.unsure_of_operation) else "yes", reoperation=since[-1])
    of_repair = planned.place > 0 and (before is None or before.answered_on < operated_on)
    if of_repair and dice.chance(truth.tells_of_repair):
        return Said("yes", procedure=planned.place)
    if dice.chance(truth.mistaken):
        return Said("yes")
    return Said("unsure" if dice.chance(truth.unsure) else "no")


def _sign(world: World, planned: Planned, on: date) -> str | None:
    truth, dice = world.truth.reports, world.dice
    since = (on - planned.procedure.operated_on).days
    return dice.pick(truth.which_sign) if dice.chance(from_threshold(truth.sign, since)) else None


def _is_past(world: World, on: date, days: int) -> bool:
    return after(on, days) <= world.closing
