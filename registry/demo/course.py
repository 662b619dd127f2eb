"""What becomes of a knee: which operations it has, and which repair ends when and how. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from itertools import accumulate, count

from registry.demo.operation import first_operation, later_ligaments, revision_operation, second_operation
from registry.demo.person import Person
from registry.demo.shapes import from_threshold
from registry.demo.story import ProcedureStory, TearStory
from registry.demo.world import World, after

REVISION = "revision"
PARTIAL_REMOVAL = "partial_removal"
TOTAL_REMOVAL = "total_removal"


@dataclass(frozen=True, slots=True)
class Fate:
    """How one repair ends in the record, and when it would fail if nothing came first."""

    tear: TearStory
    operated_on: date
    would_fail_on: date
    gone_on: date | None = None
    # Site and action of the surgery that ended it; action REVISION stands for a repair of the same tear.
    site: str = ""
    action: str = ""
    # When a new tear elsewhere in that meniscus was trimmed, which leaves the repair standing.
    trimmed_on: date | None = None

    @property
    def failed(self) -> bool:
        return self.site == "same"

    def stands_on(self, day: date) -> bool:
        """Repaired before that day and not gone before it."""
        return self.operated_on < day and (self.gone_on is None or day <= self.gone_on)

    def state_on(self, day: date) -> str:
        if self.failed and self.gone_on == day:
            return "failed"
        return "failing" if self.would_fail_on <= after(day, 365) else "holding"


@dataclass(frozen=True, slots=True)
class Course:
    """One knee from its first operation to the last day that news of it could reach the record."""

    person: Person
    procedures: tuple[ProcedureStory, ...]
    fates: tuple[Fate, ...]
    seen_until: date
    # Tender and swollen at times without failing.
    sore: bool
    replaced_on: date | None
    staged_on: date | None
    second_on: date | None

    @property
    def first(self) -> ProcedureStory:
        return self.procedures[0]

    def until_next(self, place: int) -> date:
        """Last day on which procedure number `place` (from 0) is the knee's latest."""
        following = self.procedures[place + 1 :]
        return min(self.seen_until, after(following[0].operated_on, -1)) if following else self.seen_until

    def latest_before(self, day: date) -> ProcedureStory:
        """The latest procedure of a day or before it."""
        return next(each for each in reversed(self.procedures) if each.operated_on <= day)

    def standing(self, day: date) -> list[Fate]:
        return [fate for fate in self.fates if fate.stands_on(day)]

    def state_on(self, day: date) -> str:
        """Of the knee: failing when any standing repair is, failed when one was not repaired again."""
        if any(fate.state_on(day) == "failing" for fate in self.standing(day)):
            return "failing"
        ended = (fate for fate in self.fates if fate.failed and fate.gone_on and fate.gone_on < day)
        if any(fate.action != REVISION for fate in ended):
            return "failed"
        return "sore" if self.sore else "holding"


def course(world: World, person: Person, on: date) -> Course:
    """The course of a knee first operated on that day."""
    numbers = count()
    replaced_on = _replaced_on(world, person, on)
    seen_until = min(person.departure.seen_until, replaced_on or world.closing)
    first = first_operation(world, person, on, numbers)
    staged_on = _staged_on(world, first, seen_until)
    second = _second(world, person, first, staged_on, seen_until, numbers)
    operations = [first, *second]
    primary = _once_a_day(_fates(world, operations, seen_until), operations)
    revisions = _revisions(world, person, primary, first, staged_on, numbers)
    return Course(
        person=person,
        procedures=_in_order([*operations, *revisions]),
        fates=(*primary, *_fates(world, revisions, seen_until)),
        seen_until=seen_until,
        sore=world.dice.chance(world.truth.signs.sore_knee),
        replaced_on=replaced_on,
        staged_on=staged_on,
        second_on=second[0].operated_on if second else None,
    )


def _revisions(
    world: World,
    person: Person,
    fates: list[Fate],
    first: ProcedureStory,
    staged_on: date | None,
    numbers: Iterator[int],
) -> list[ProcedureStory]:
    return [
        revision_operation(
            world,
            person,
            fate.gone_on,
            fate.tear,
            later_ligaments(first.ligaments, staged_on, fate.gone_on),
            numbers,
        )
        for fate in fates
        if fate.gone_on and fate.action == REVISION
    ]


def _once_a_day(fates: list[Fate], operations: list[ProcedureStory]) -> list[Fate]:
    """A knee has one index procedure a day: a revision on the day of another becomes a removal."""
    taken: set[date | None] = {each.operated_on for each in operations}
    told = []
    for fate in fates:
        revised = fate.action == REVISION
        told.append(replace(fate, action=PARTIAL_REMOVAL) if revised and fate.gone_on in taken else fate)
        if revised:
            taken.add(fate.gone_on)
    return told


def _in_order(procedures: list[ProcedureStory]) -> tuple[ProcedureStory, ...]:
    """By date; none is entered before an earlier one of the knee."""
    by_date = sorted(procedures, key=lambda each: each.operated_on)
    entered = accumulate((each.recorded_at for each in by_date), max)
    return tuple(replace(each, recorded_at=at) for each, at in zip(by_date, entered, strict=True))


def _replaced_on(world: World, person: Person, on: date) -> date | None:
    rate = from_threshold(world.truth.leaving.replacement_per_year, person.age_on(on))
    day = after(on, world.dice.wait(rate))
    return day if on < day <= person.departure.seen_until else None


def _staged_on(world: World, first: ProcedureStory, seen_until: date) -> date | None:
    truth, planned = world.truth.ligaments, first.ligaments.ligament_planned_on
    if planned is None or not world.dice.chance(truth.stage_done):
        return None
    day = after(planned, world.dice.whole(truth.stage_delay_days))
    return day if day <= seen_until else None


def _second(
    world: World,
    person: Person,
    first: ProcedureStory,
    staged_on: date | None,
    seen_until: date,
    numbers: Iterator[int],
) -> list[ProcedureStory]:
    """A later repair in the other meniscus, in a few of the knees where only one was repaired."""
    people, dice = world.truth.people, world.dice
    repaired = {tear.meniscus for tear in first.tears if tear.repair}
    day = after(first.operated_on, dice.within(people.second_operation_after_days))
    if len(repaired) > 1 or day > seen_until or not dice.chance(people.second_operation):
        return []
    other = "lateral" if "medial" in repaired else "medial"
    ligaments = later_ligaments(first.ligaments, staged_on, day)
    return [second_operation(world, person, day, other, ligaments, numbers)]


def _fates(world: World, procedures: list[ProcedureStory], seen_until: date) -> list[Fate]:
    return [
        _fate(world, tear, procedure.operated_on, seen_until)
        for procedure in procedures
        for tear in procedure.tears
        if tear.repair
    ]


def _fate(world: World, tear: TearStory, operated_on: date, seen_until: date) -> Fate:
    """A failure is recorded on its own day, unless news ends or that meniscus is lost to a new tear first."""
    assert tear.repair is not None  # noqa: S101 - for the type checker: the caller chose repaired tears
    failure, later, dice = world.truth.failure, world.truth.later_surgery, world.dice
    fails_on = after(operated_on, tear.repair.latent.failure_day)
    torn_anew_on = after(operated_on, 1 + dice.wait(later.new_tear_removed_per_year))
    new_tear_action = dice.pick(later.new_tear_action)
    lost_on = torn_anew_on if new_tear_action == TOTAL_REMOVAL else date.max
    trimmed_on = torn_anew_on if new_tear_action != TOTAL_REMOVAL else date.max
    ends_on = min(fails_on, lost_on)
    trimmed = trimmed_on if trimmed_on <= seen_until and trimmed_on < ends_on else None
    if ends_on > seen_until:
        return Fate(tear, operated_on, fails_on, trimmed_on=trimmed)
    if lost_on < fails_on:
        return Fate(tear, operated_on, fails_on, lost_on, "new", TOTAL_REMOVAL, trimmed)
    treated_by = failure.treated_by if tear.revises is None else failure.revision_treated_by
    return Fate(tear, operated_on, fails_on, fails_on, "same", dice.pick(treated_by), trimmed)
