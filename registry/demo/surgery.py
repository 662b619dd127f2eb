"""Later operations that are not repairs, and complications. Pure."""

from datetime import date

from registry.demo.course import PARTIAL_REMOVAL, REVISION, Course, Fate
from registry.demo.shapes import or_default
from registry.demo.story import ComplicationStory, OnTearStory, ProcedureStory, ReoperationStory
from registry.demo.world import World, after

# A repair, and the site and action of what a reoperation did to its meniscus.
Touch = tuple[Fate, str, str]


def reoperations(
    world: World, course: Course, complications: tuple[ComplicationStory, ...]
) -> tuple[ReoperationStory, ...]:
    """Removals, staged ligament surgery, replacement, and surgery for complications, in order of date."""
    told = [
        _reoperation(world, course, fate.gone_on, touched=(fate, fate.site, fate.action))
        for fate in course.fates
        if fate.gone_on and fate.action != REVISION
    ]
    told += [
        _reoperation(world, course, fate.trimmed_on, touched=(fate, "new", PARTIAL_REMOVAL))
        for fate in course.fates
        if fate.trimmed_on
    ]
    if course.staged_on:
        told.append(_reoperation(world, course, course.staged_on, other="ligament", planned=True))
    if course.replaced_on:
        kind = world.dice.pick(world.truth.leaving.replacement_kind)
        told.append(_reoperation(world, course, course.replaced_on, other=kind))
    told += [
        each for complication in complications for each in _for_complication(world, course, complication)
    ]
    return tuple(sorted(told, key=lambda each: each.operated_on))


def complications(world: World, course: Course) -> tuple[ComplicationStory, ...]:
    truth = world.truth.complications
    told = [_complication(world, each) for each in course.procedures if world.dice.chance(truth.share)]
    return tuple(each for each in told if each.noticed_on <= course.seen_until)


def _reoperation(
    world: World,
    course: Course,
    day: date,
    touched: Touch | None = None,
    other: str = "none",
    planned: bool = False,
) -> ReoperationStory:
    """One that touches at most one repair and sees the others that still stand."""
    fate = touched[0] if touched else None
    standing = [each for each in course.standing(day) if each is fate or each.gone_on != day]
    return ReoperationStory(
        uuid=world.uuid(),
        recorded_at=world.entered(day, course.latest_before(day).recorded_at),
        operated_on=day,
        planned=planned,
        other_surgery=other,
        on_tears=tuple(
            OnTearStory(each.tear.number, *(touched[1:] if touched and each is fate else ("same", "none")))
            for each in standing
        ),
    )


def _for_complication(
    world: World, course: Course, complication: ComplicationStory
) -> list[ReoperationStory]:
    truth = world.truth.complications
    other = truth.operation.get(complication.kind)
    day = after(complication.noticed_on, world.dice.within(truth.operation_after_days))
    if other is None or complication.severity != "III" or day > course.seen_until:
        return []
    return [_reoperation(world, course, day, other=other)]


def _complication(world: World, procedure: ProcedureStory) -> ComplicationStory:
    truth, dice = world.truth.complications, world.dice
    kind = dice.pick(truth.kind)
    noticed_on = after(procedure.operated_on, dice.within(truth.noticed_after_days[kind]))
    resolved_on = after(noticed_on, dice.within(truth.resolved_after_days))
    resolved = dice.chance(truth.resolved) and resolved_on <= world.closing
    screened = dice.chance(or_default(truth.found_by_screening, kind))
    return ComplicationStory(
        uuid=world.uuid(),
        recorded_at=world.entered(noticed_on, procedure.recorded_at),
        noticed_on=noticed_on,
        kind=kind,
        severity=dice.pick(truth.severity[kind]),
        found_by="screening" if screened else "symptoms",
        resolved_on=resolved_on if resolved else None,
    )
