"""Visits and contacts: the days on which a knee was seen or asked after. Pure."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date

from registry.demo.course import Course
from registry.demo.shapes import from_threshold
from registry.demo.story import ContactStory, DuplicateStory, VisitStory
from registry.demo.world import World, after
from registry.rules.schedule import DEFAULT_PLAN, PlannedReview, time_point


def visits(world: World, course: Course) -> tuple[VisitStory, ...]:
    """Planned reviews after each operation, those kept; and visits for trouble before a failure."""
    days = {day: time_point((day - latest).days) for latest, day in _reviews_kept(world, course)}
    days = dict.fromkeys(_visits_for_trouble(world, course), "unplanned") | days
    return tuple(_visit(world, course, day, days[day]) for day in sorted(days))


def duplicates(world: World, told: tuple[VisitStory, ...]) -> tuple[DuplicateStory, ...]:
    """Visits that were entered twice: the second entry, made some days later, and why it was withdrawn."""
    keeping, dice = world.truth.keeping, world.dice
    return tuple(
        DuplicateStory(
            replace(each, uuid=dice.uuid(), recorded_at=world.entered(each.seen_on, each.recorded_at)),
            dice.pick(keeping.entered_twice_reason),
        )
        for each in told
        if dice.chance(keeping.visit_entered_twice)
    )


def contacts(world: World, course: Course) -> tuple[ContactStory, ...]:
    """The yearly round of checks, and the last word of those who left."""
    follow_up = world.truth.follow_up
    told = [(day, world.dice.pick(follow_up.yearly_check_source)) for day in _yearly_checks(world, course)]
    departure = course.person.departure
    if departure.left and course.first.operated_on < departure.seen_until == course.seen_until:
        told.append((departure.seen_until, world.dice.pick(follow_up.last_contact_source)))
    return tuple(
        ContactStory(world.uuid(), world.entered(day, course.latest_before(day).recorded_at), day, source)
        for day, source in sorted(told)
    )


def _reviews_kept(world: World, course: Course) -> Iterator[tuple[date, date]]:
    """Pairs of the operation's day and the visit's, for visits before the knee's next operation."""
    for place, procedure in enumerate(course.procedures):
        for review in DEFAULT_PLAN:
            day = _visit_day(world, procedure.operated_on, review)
            follow_up = world.truth.follow_up
            share = follow_up.attended[review.code] * follow_up.kept_by_unit[procedure.unit]
            kept = world.dice.chance(share)
            if kept and procedure.operated_on < day <= course.until_next(place):
                yield procedure.operated_on, day


def _visit_day(world: World, operated_on: date, review: PlannedReview) -> date:
    windows_off = world.dice.spread(world.truth.follow_up.visit_jitter)
    return after(operated_on, review.due_day + round(windows_off * review.window_days))


def _visits_for_trouble(world: World, course: Course) -> Iterator[date]:
    follow_up = world.truth.follow_up
    for fate in course.fates:
        if fate.failed and fate.gone_on and world.dice.chance(follow_up.visit_before_failure):
            day = after(fate.gone_on, -world.dice.within(follow_up.visit_before_failure_days))
            if day > fate.operated_on:
                yield day


def _yearly_checks(world: World, course: Course) -> Iterator[date]:
    follow_up = world.truth.follow_up
    round_day = after(world.closing, -follow_up.yearly_check_before_close_days)
    earliest = after(course.first.operated_on, follow_up.yearly_check_from_day)
    while round_day >= earliest:
        day = after(round_day, -world.dice.within(follow_up.yearly_check_jitter_days))
        if world.dice.chance(follow_up.yearly_check) and earliest <= day <= course.seen_until:
            yield day
        round_day = after(round_day, -365)


def _visit(world: World, course: Course, day: date, point: str) -> VisitStory:
    signs, dice = world.truth.signs, world.dice
    latest = course.latest_before(day)
    since = (day - latest.operated_on).days
    state = "first_weeks" if since < signs.first_weeks_days else course.state_on(day)
    bends = not dice.chance(signs.motion_missing)
    stability = _stability(course, day)
    return VisitStory(
        uuid=world.uuid(),
        recorded_at=world.entered(day, latest.recorded_at),
        seen_on=day,
        time_point=point,
        effusion=dice.pick(signs.effusion[state]),
        joint_line_tenderness=world.missing_or(
            signs.sign_missing, dice.chance(signs.joint_line_tenderness[state])
        ),
        mcmurray=world.missing_or(signs.sign_missing, dice.chance(signs.mcmurray[state])),
        flexion_deg=dice.whole(from_threshold(signs.flexion_deg, since)) if bends else None,
        extension_deg=dice.whole(signs.extension_deg) if bends else None,
        lachman=world.grade(signs.lachman[stability]),
        pivot=world.grade(signs.pivot[stability]),
        sport_return=dice.pick(from_threshold(signs.sport_return, since)),
        employed_as_before=world.missing_or(
            signs.employment_missing, dice.chance(from_threshold(signs.employed_as_before, since))
        ),
    )


def _stability(course: Course, day: date) -> str:
    """Of the anterior cruciate ligament on that day."""
    acl = course.first.ligaments.acl
    if acl in ("treated_here", "reconstructed_before") or (course.staged_on and course.staged_on <= day):
        return "reconstructed"
    return "stable" if acl == "intact" else "torn"
