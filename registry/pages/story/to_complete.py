"""What is missing of a knee's operations, each with the page where it can be completed."""

from collections.abc import Iterator
from dataclasses import dataclass

from django.urls import reverse
from django.utils.formats import date_format
from django.utils.text import capfirst

from registry.completeness import Gap, Place, gaps
from registry.models import IndexProcedure
from registry.pages.story.keeping import sign_link
from registry.pages.story.moment import Link
from registry.pages.story.teller import Teller


@dataclass(frozen=True, slots=True)
class Open:
    """What one page would complete of one operation. Without a link the reader may not complete it."""

    what: str
    link: Link | None


def to_complete(told: Teller) -> list[Open]:
    """Everything missing of a knee, by operation and by the page that completes it."""
    missing = gaps([procedure.pk for procedure in told.procedures])
    return [
        each
        for procedure in told.procedures
        for place in Place
        for each in _at(told, procedure, place, missing.get(procedure.pk, []))
    ]


def _at(told: Teller, procedure: IndexProcedure, place: Place, missing: list[Gap]) -> Iterator[Open]:
    """One line for the operation itself, and one for each of its tears."""
    here = [gap for gap in missing if gap.requirement.place is place]
    for tear in dict.fromkeys(gap.tear_id for gap in here):
        labels = ", ".join(gap.requirement.label for gap in here if gap.tear_id == tear)
        whose = told.tear_names[tear] if tear else f"Operation of {date_format(procedure.operated_on)}"
        yield Open(f"{capfirst(whose)}: {labels}", _link(told, procedure, place))


def _link(told: Teller, procedure: IndexProcedure, place: Place) -> Link | None:
    may = {
        Place.NOTE: told.reader.corrects(procedure),
        Place.SIGNATURE: told.reader.signs(procedure),
        Place.REHABILITATION: told.reader.follows(procedure),
        Place.SECOND_LOOK: told.reader.may_record,
    }
    return _links(told, procedure)[place] if may[place] else None


def _links(told: Teller, procedure: IndexProcedure) -> dict[Place, Link]:
    knee, operation = told.knee.uuid, procedure.uuid
    return {
        Place.NOTE: Link("Complete", reverse("correct_operation", args=[knee, operation])),
        Place.SIGNATURE: sign_link(told, procedure),
        Place.REHABILITATION: Link("Complete", reverse("rehabilitation", args=[knee, operation])),
        Place.SECOND_LOOK: Link("Record", reverse("record_event", args=[knee, "second-look"])),
    }
