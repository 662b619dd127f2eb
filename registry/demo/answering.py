"""Who answered which planned review, by which way, and what came of it. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from registry.demo.clocks import Planned, planned_reviews
from registry.demo.course import Course
from registry.demo.forms import first_groups, form
from registry.demo.reporting import report
from registry.demo.review_stories import (
    BookedStory,
    GivenUpStory,
    HalfStory,
    LinkStory,
    ReportStory,
    ScoreStory,
)
from registry.demo.scores import state_on
from registry.demo.story import ProcedureStory, ReoperationStory, VisitStory
from registry.demo.waiting import booked, given_up, may_be_sent_links, messages, unanswered_link
from registry.demo.world import World, after
from registry.scoring import TOTAL
from registry.scoring.koos import KOOS

MINUTES_TO_ANSWER = 12


@dataclass(slots=True)
class Reviewed:
    """All that reviews left in a knee's record, told so far."""

    scores: list[ScoreStory] = field(default_factory=list)
    reports: list[ReportStory] = field(default_factory=list)
    given_up: list[GivenUpStory] = field(default_factory=list)
    booked: list[BookedStory] = field(default_factory=list)
    links: list[LinkStory] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Knee:
    """What answers follow from."""

    world: World
    course: Course
    seen_on: list[date]
    lysholm: dict[date, ScoreStory]
    reoperations: tuple[ReoperationStory, ...]

    def trouble(self, procedure: ProcedureStory, on: date) -> float:
        """That of the day's Lysholm form, or drawn by the state of the knee."""
        told = self.lysholm.get(on)
        if told and TOTAL in told.scale_values:
            return 1 - told.scale_values[TOTAL] / 100
        scores = self.world.truth.scores
        state = state_on(self.world, self.course, procedure, on)
        return self.world.dice.spread(scores.trouble[state])


def reviewed(
    world: World,
    course: Course,
    seen: Sequence[VisitStory],
    lysholm: Sequence[ScoreStory],
    reoperations: tuple[ReoperationStory, ...],
) -> Reviewed:
    """Other forms before each operation and at each review; reports, links and what is still waited for."""
    by_day = {each.answered_on: each for each in lysholm}
    knee = Knee(world, course, [each.seen_on for each in seen], by_day, reoperations)
    told = Reviewed()
    for procedure in course.procedures:
        _before(knee, procedure, told)
    for planned in planned_reviews(world, course):
        _at_review(knee, planned, told)
    return told


def _before(knee: Knee, procedure: ProcedureStory, told: Reviewed) -> None:
    """Beside the Lysholm form before an operation, whatever its unit will ask later."""
    truth, world = knee.world.truth, knee.world
    earliest = after(procedure.operated_on, -truth.scores.baseline_days_before[1])
    on = next((day for day in sorted(knee.lysholm) if earliest <= day <= procedure.operated_on), None)
    if on is None or not world.dice.chance(truth.forms.with_lysholm_before):
        return
    plan = world.units[procedure.unit].plan
    asked = dict.fromkeys(code for review in plan for code in review.instruments)
    _forms(knee, procedure, tuple(asked), on, "clinic", world.entered(on, procedure.recorded_at), told)


def _at_review(knee: Knee, planned: Planned, told: Reviewed) -> None:
    truth, world = knee.world.truth.answering, knee.world
    met_on = _met_on(knee, planned)
    if met_on is not None:
        if world.dice.chance(truth.asked_when_seen):
            seen = met_on in knee.seen_on
            _answered(knee, planned, met_on, world.dice.pick(truth.way_when_seen) if seen else "paper", told)
        return
    off = world.dice.within(truth.answer_days_off)
    on = min(max(after(planned.due_on, off), planned.opens_on), planned.closes_on)
    if world.dice.chance(truth.answers_by_itself[planned.procedure.unit]) and on <= planned.until:
        if _can_answer_by_link(knee, planned, on):
            _answered_by_link(knee, planned, on, told)
        else:
            _answered(knee, planned, on, "paper", told)
    else:
        _not_answered(knee, planned, told)


def _met_on(knee: Knee, planned: Planned) -> date | None:
    """The day within the review's window of a Lysholm form, or else of a visit."""
    for days in (sorted(knee.lysholm), knee.seen_on):
        within = [day for day in days if planned.holds(day) and day <= planned.until]
        if within:
            return within[0]
    return None


def _answered(knee: Knee, planned: Planned, on: date, way: str, told: Reviewed) -> None:
    truth, world = knee.world.truth.answering, knee.world
    at = world.entered(on, planned.procedure.recorded_at)
    _forms(knee, planned.procedure, planned.review.instruments, on, way, at, told)
    asked = on >= after(world.closing, -truth.reports_since_days)
    if asked and world.dice.chance(truth.report_with_form):
        _report(knee, planned, on, at, way, told)


def _can_answer_by_link(knee: Knee, planned: Planned, on: date) -> bool:
    since = after(knee.world.closing, -knee.world.truth.answering.links_since_days)
    on_record = planned.procedure.recorded_at.date() <= on
    return on >= since and on_record and may_be_sent_links(knee.course)


def _answered_by_link(knee: Knee, planned: Planned, on: date, told: Reviewed) -> None:
    truth, world = knee.world.truth.answering, knee.world
    procedure, asked = planned.procedure, planned.review.instruments
    made_on = max(after(on, -world.dice.within(truth.link_answered_after_days)), planned.opens_on)
    made_at = max(world.hour_of(made_on), procedure.recorded_at)
    at = max(world.hour_of(on), made_at)
    place = len(told.reports)
    _report(knee, planned, on, at, "link", told)
    half, finished_at = None, None
    if KOOS.code in asked and world.dice.chance(truth.link_left_half):
        half = _half(knee, procedure, on, told.reports)
    else:
        finished_at = at + timedelta(minutes=MINUTES_TO_ANSWER)
        _forms(knee, procedure, asked, on, "link", finished_at, told)
    told.links.append(
        LinkStory(
            uuid=world.dice.uuid(),
            time_point=planned.review.code,
            instruments=asked,
            made_at=made_at,
            finished_at=finished_at,
            report=place,
            half=half,
            messages=messages(world, knee.course, made_at, after(on, -1)),
        )
    )


def _half(knee: Knee, procedure: ProcedureStory, on: date, reports: Sequence[ReportStory]) -> HalfStory:
    """The first groups of KOOS, after the report just made."""
    dice = knee.world.dice
    groups = dice.within((1, len(KOOS.groups) - 1))
    trouble = knee.trouble(procedure, on)
    items = first_groups(knee.world, KOOS.code, groups, trouble, procedure.background.preinjury_tegner)
    first = reports[-1]
    advised = ("advice",) if first.fever or first.calf_pain or first.locked_knee else ()
    screens = (f"{KOOS.code}-{number}" for number in range(1, groups + 1))
    return HalfStory(len(reports) - 1, ("again", "signs", *advised, *screens), {KOOS.code: items})


def _not_answered(knee: Knee, planned: Planned, told: Reviewed) -> None:
    world, course = knee.world, knee.course
    if link := unanswered_link(world, course, planned):
        told.links.append(link)
    if gave_up := given_up(world, course, planned):
        told.given_up.append(gave_up)
    elif not _came_after(knee, planned, told) and (visit := booked(world, course, planned)):
        told.booked.append(visit)


def _came_after(knee: Knee, planned: Planned, told: Reviewed) -> bool:
    """Whether anything was answered since the review opened, though outside its window."""
    days = (*knee.seen_on, *knee.lysholm, *(each.answered_on for each in told.scores))
    return any(day >= planned.opens_on for day in days)


def _report(knee: Knee, planned: Planned, on: date, at: datetime, way: str, told: Reviewed) -> None:
    before = told.reports[-1] if told.reports else None
    told.reports.append(report(knee.world, knee.course, planned, knee.reoperations, before, on, at, way))


def _forms(
    knee: Knee,
    procedure: ProcedureStory,
    asked: Sequence[str],
    on: date,
    way: str,
    at: datetime,
    told: Reviewed,
) -> None:
    """A form of each instrument asked, unless that was answered on the same day already."""
    answered = {each.instrument for each in told.scores if each.answered_on == on}
    trouble = knee.trouble(procedure, on)
    activity = procedure.background.preinjury_tegner
    told.scores.extend(
        form(knee.world, code, on, at, way, trouble, activity) for code in asked if code not in answered
    )
