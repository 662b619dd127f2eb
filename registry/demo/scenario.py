"""The stories of all patients, in parts that can be told apart. Pure: no Django, no database.

Deterministic in (seed, patients): the same pair gives the same stories, whoever tells which part. Everything
is placed relative to `until`, the day on which the scenario closes and before which everything in it
happened: moving `until` moves every date by as many days, except the two that are rounded to the calendar
(injuries known to the month stand on its 15th, births known to the year on 1 July).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from itertools import chain

from registry.demo.answering import reviewed
from registry.demo.cast import Cast
from registry.demo.course import course
from registry.demo.dice import DETAILS, REVIEWS, Dice, EvenDraws
from registry.demo.findings import imaging, looks
from registry.demo.followup import contacts, duplicates, visits
from registry.demo.names import identity
from registry.demo.note import with_note
from registry.demo.person import Person, person
from registry.demo.scores import scores
from registry.demo.story import KneeStory, PatientStory
from registry.demo.surgery import complications, reoperations
from registry.demo.truth import Truth
from registry.demo.world import World, after

DEFAULT_PATIENTS = 1_500
DEFAULT_SEED = 1
PATIENTS_A_PART = 5_000
SIDES = ("left", "right")


@dataclass(frozen=True, slots=True)
class Scenario:
    """What the stories follow from.

    Parameters
    ----------
    patients
        How many patients; each has one knee or two, with one repair or more.
    seed
        Any non-negative whole number.
    until
        Closing date; the last day that may hold an event is the day before.
    truth
        The facts that the stories are drawn from, beside the reviews that the units of the cast plan.
    patients_a_part
        Patients whose failures are balanced among each other, and who are told one after the other.
    """

    patients: int
    seed: int
    until: date
    truth: Truth
    patients_a_part: int = PATIENTS_A_PART

    @property
    def parts(self) -> range:
        """Numbers of the parts, from 0."""
        return range(-(-self.patients // self.patients_a_part))

    def part(self, number: int) -> Iterator[PatientStory]:
        """Stories of one part's patients, each made when asked for."""
        first = number * self.patients_a_part + 1
        for patient, world in enumerate(self.worlds(number), first):
            yield _patient(world, patient)

    def worlds(self, number: int) -> Iterator[World]:
        """What each of one part's patients is drawn from."""
        units = {part.code: part for part in Cast.read().units}
        failures = EvenDraws(self.seed, number, self.truth.failure.balanced_random_numbers)
        first = number * self.patients_a_part + 1
        for patient in range(first, min(first + self.patients_a_part, self.patients + 1)):
            yield World(
                truth=self.truth,
                closing=after(self.until, -1),
                dice=Dice(self.seed, patient),
                failures=failures,
                dice_of_details=Dice(self.seed, patient + DETAILS),
                dice_of_reviews=Dice(self.seed, patient + REVIEWS),
                units=units,
            )


def generate(patients: int, seed: int, until: date, truth: Truth) -> Iterator[PatientStory]:
    """Stories of patients number 1 to `patients`, as of a `Scenario`, each made when asked for."""
    scenario = Scenario(patients, seed, until, truth)
    return chain.from_iterable(map(scenario.part, scenario.parts))


def _patient(world: World, number: int) -> PatientStory:
    who = person(world)
    return PatientStory(
        number=number,
        uuid=who.uuid,
        unit=who.unit,
        sex=who.sex,
        born_on=who.born_on,
        born_on_is_exact=who.born_on_is_exact,
        died_on=who.departure.died_on,
        research_permission=who.research_permission,
        research_permission_on=who.research_permission_on,
        language=who.language,
        reminders=who.reminders,
        identity=identity(world.dice, number),
        end_of_follow_up=who.end_of_follow_up,
        knees=_knees(world, who),
    )


def _knees(world: World, who: Person) -> tuple[KneeStory, ...]:
    people, dice = world.truth.people, world.dice
    first, second = SIDES if dice.chance(0.5) else SIDES[::-1]
    knees = [_knee(world, who, first, who.first_operated_on)]
    second_on = after(who.first_operated_on, dice.within(people.second_knee_after_days))
    if dice.chance(people.second_knee) and second_on <= who.departure.seen_until:
        knees.append(_knee(world, who, second, second_on))
    return tuple(knees)


def _knee(world: World, who: Person, side: str, operated_on: date) -> KneeStory:
    told = course(world, who, operated_on)
    trouble = complications(world, told)
    operated_again = reoperations(world, told, trouble)
    uuid = world.dice.uuid()
    seen = visits(world, told)
    noted = tuple(with_note(world.details, who, each) for each in told.procedures)
    twice = duplicates(world.details, seen)
    pictures, looked = imaging(world, told), looks(world, told)
    asked_after = contacts(world, told)
    lysholm = scores(world, told, operated_again)
    at_reviews = reviewed(world.reviewing, told, seen, lysholm, operated_again)
    return KneeStory(
        uuid=uuid,
        side=side,
        procedures=noted,
        visits=seen,
        duplicates=twice,
        imaging=pictures,
        looks=looked,
        reoperations=operated_again,
        complications=trouble,
        contacts=asked_after,
        scores=(*lysholm, *at_reviews.scores),
        reports=tuple(at_reviews.reports),
        given_up=tuple(at_reviews.given_up),
        booked=tuple(at_reviews.booked),
        links=tuple(at_reviews.links),
    )
