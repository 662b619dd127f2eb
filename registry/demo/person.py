"""The patient: who they are, when their first operation falls, and how long they answer. Pure."""

from dataclasses import dataclass
from datetime import date
from uuid import UUID

from registry.demo.dice import DAYS_PER_YEAR
from registry.demo.shapes import from_threshold
from registry.demo.story import EndStory
from registry.demo.world import World, after


@dataclass(frozen=True, slots=True)
class Departure:
    """The last day on which news of the patient could reach the record, and why it is the last."""

    seen_until: date
    died_on: date | None = None
    left: str | None = None


@dataclass(frozen=True, slots=True)
class Person:
    uuid: UUID
    unit: str
    sex: str
    born_on: date
    born_on_is_exact: bool
    first_operated_on: date
    departure: Departure
    end_of_follow_up: EndStory | None
    research_permission: str
    research_permission_on: date | None
    language: str
    reminders: str

    def age_on(self, day: date) -> float:
        return (day - self.born_on).days / DAYS_PER_YEAR


def person(world: World) -> Person:
    dice, people = world.dice, world.truth.people
    operated_on = _first_operation(world)
    born_on = after(operated_on, -round(_age(world) * DAYS_PER_YEAR))
    exact = not dice.chance(people.birth_year_only)
    age = (operated_on - born_on).days / DAYS_PER_YEAR
    departure = _departure(world, operated_on, age)
    permission = dice.pick(people.research_permission)
    return Person(
        uuid=dice.uuid(),
        unit=dice.pick(people.unit),
        sex=dice.pick(people.sex),
        born_on=born_on if exact else date(born_on.year, 7, 1),
        born_on_is_exact=exact,
        first_operated_on=operated_on,
        departure=departure,
        end_of_follow_up=_end(world, departure),
        research_permission=permission,
        research_permission_on=_permission_on(world, permission, operated_on),
        language=world.reviewing.dice.pick(world.truth.answering.language),
        reminders=world.reviewing.dice.pick(world.truth.answering.reminders),
    )


def _first_operation(world: World) -> date:
    year = int(world.dice.pick(world.truth.calendar.operations_by_year))
    day = after(world.opening, int((year - 1 + world.dice.uniform()) * DAYS_PER_YEAR))
    return min(day, world.closing)


def _age(world: World) -> float:
    youngest, oldest = map(int, world.dice.pick(world.truth.people.age_band).split("-"))
    return youngest + world.dice.uniform() * (oldest + 1 - youngest)


def _departure(world: World, operated_on: date, age: float) -> Departure:
    dice, leaving = world.dice, world.truth.leaving
    died_on = after(operated_on, dice.wait(from_threshold(leaving.death_per_year, age)))
    rates = from_threshold(leaving.per_year, age)
    waits = {reason: dice.wait(rate) for reason, rate in rates.items()}
    if dice.chance(leaving.never_came_back):
        waits["lost"] = 0
    left = min(waits, key=waits.__getitem__)
    left_on = after(operated_on, waits[left])
    if left_on <= min(died_on, world.closing):
        return Departure(left_on, left=left)
    return Departure(died_on, died_on=died_on) if died_on <= world.closing else Departure(world.closing)


def _end(world: World, departure: Departure) -> EndStory | None:
    """The lost are declared lost only once the attempts to reach them have failed."""
    if departure.left is None:
        return None
    leaving, lost = world.truth.leaving, departure.left == "lost"
    ended_on = after(departure.seen_until, world.dice.within(leaving.given_up_after_days) if lost else 0)
    if ended_on > world.closing:
        return None
    attempts = world.dice.within(leaving.attempts) if lost else None
    return EndStory(world.uuid(), world.entered(ended_on), ended_on, departure.left, attempts)


def _permission_on(world: World, permission: str, operated_on: date) -> date | None:
    people = world.truth.people
    if permission == "not_asked":
        return None
    if permission == "withdrawn":
        return min(
            after(operated_on, world.dice.within(people.permission_withdrawn_after_days)), world.closing
        )
    return after(operated_on, -world.dice.within(people.permission_asked_days_before))
