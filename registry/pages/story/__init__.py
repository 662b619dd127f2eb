"""A knee told in order: every recorded fact as a moment on one time line."""

from itertools import chain

from registry.pages.story.events import events
from registry.pages.story.moment import Moment
from registry.pages.story.operation import injury, operation
from registry.pages.story.person import of_the_patient
from registry.pages.story.plan import planned
from registry.pages.story.reviews import of_reviews
from registry.pages.story.teller import Reader, Teller

__all__ = ["Reader", "Teller", "story"]


def story(told: Teller) -> list[Moment]:
    """The moments of a knee, in order."""
    procedures = told.procedures
    moments = chain(
        (injury(procedure) for procedure in procedures),
        (operation(told, procedure) for procedure in procedures),
        planned(told),
        events(told),
        of_reviews(told),
        of_the_patient(told),
    )
    return sorted(moments, key=lambda moment: (moment.on, moment.rank))
