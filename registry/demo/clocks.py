"""The planned reviews of a knee, as the plan of the operating unit has them. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date

from registry.demo.course import Course
from registry.demo.story import ProcedureStory
from registry.demo.world import World, after
from registry.rules.schedule import PlannedReview


@dataclass(frozen=True, slots=True)
class Planned:
    """One review that runs from an operation, while no later one starts the reviews anew."""

    procedure: ProcedureStory
    # The procedure's place among the knee's.
    place: int
    review: PlannedReview
    # None for the last of a plan.
    following: PlannedReview | None
    starts_on: date
    # The day before reviews start anew, or the last day of news.
    until: date
    opens_on: date = field(init=False)
    closes_on: date = field(init=False)

    def __post_init__(self) -> None:
        # Asked for very often, and a frozen row of slots keeps nothing else.
        due, window = self.review.due_day, self.review.window_days
        object.__setattr__(self, "opens_on", after(self.starts_on, due - window))
        object.__setattr__(self, "closes_on", after(self.starts_on, due + window))

    @property
    def next_opens_on(self) -> date:
        """When the following one opens; never, where there is none."""
        following = self.following
        return after(self.starts_on, following.due_day - following.window_days) if following else date.max

    @property
    def due_on(self) -> date:
        return after(self.starts_on, self.review.due_day)

    def holds(self, day: date) -> bool:
        return self.opens_on <= day <= self.closes_on


def planned_reviews(world: World, course: Course) -> Iterator[Planned]:
    """Every review of every operation, in order."""
    for place, procedure in enumerate(course.procedures):
        plan = world.units[procedure.unit].plan
        for starts_on, until in _clocks(world, course, place):
            for review, following in zip(plan, (*plan[1:], None), strict=True):
                yield Planned(procedure, place, review, following, starts_on, until)


def _clocks(world: World, course: Course, place: int) -> list[tuple[date, date]]:
    """First and last day of the reviews after an operation: two pairs where a staged one restarts them."""
    procedure, until, staged_on = course.procedures[place], course.until_next(place), course.staged_on
    restarts = (
        world.units[procedure.unit].ligament_restarts_reviews
        and procedure.ligaments.staging == "repair_first"
        and staged_on is not None
        and procedure.operated_on < staged_on <= until
    )
    if not restarts or staged_on is None:
        return [(procedure.operated_on, until)]
    return [(procedure.operated_on, after(staged_on, -1)), (staged_on, until)]
