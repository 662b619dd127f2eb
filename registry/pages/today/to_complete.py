"""What is to be completed on Today: what operations lack, and notes not signed."""

from collections.abc import Iterable
from dataclasses import dataclass

from django.core.paginator import Page, Paginator
from django.db.models import Q
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.text import capfirst

from registry.completeness import BY_CODE, COUNTED, REQUIREMENTS, Gap, Requirement, gaps, lacking, shares
from registry.models import IndexProcedure, User
from registry.pages.today.listing import LISTED, Line, Listing, Units, operations_of

# Of what is missing of one operation so many things are named, and the rest counted.
NAMED = 6


@dataclass(frozen=True, slots=True)
class Missing:
    """One requirement: how many operations, tears or repairs lack it, of how many asked."""

    requirement: Requirement
    lacking: int
    asked: int


@dataclass(frozen=True, slots=True)
class ToComplete:
    """Counts for each requirement, and the operations that lack any of them or the one chosen."""

    counts: list[Missing]
    chosen: Requirement | None
    page: Page[IndexProcedure]
    lines: list[Line]

    @property
    def query(self) -> str:
        """What a link to another page of the list keeps."""
        return f"missing={self.chosen.code}" if self.chosen else ""


def to_complete(units: Units, code: str, number: str) -> ToComplete:
    """What the operations of these units lack; of one requirement alone when its code is given."""
    chosen = BY_CODE.get(code)
    operations = operations_of(units)
    counted = shares(operations)
    counts = [Missing(each, counted[each.code].lacking, counted[each.code].asked) for each in REQUIREMENTS]
    open_ones = operations.filter(lacking([chosen] if chosen else COUNTED))
    page = Paginator(open_ones, LISTED).get_page(number)
    missing = gaps([operation.pk for operation in page])
    return ToComplete(
        counts=[each for each in counts if each.lacking],
        chosen=chosen,
        page=page,
        lines=[
            Line(operation.knee, operation.operated_on, in_words(missing[operation.pk]), "to-complete")
            for operation in page
        ],
    )


def in_words(missing: Iterable[Gap]) -> str:
    """What is missing of one operation, each thing once; of a long list its beginning and a number."""
    labels = list(dict.fromkeys(gap.requirement.label for gap in missing))
    named = labels if len(labels) <= NAMED + 1 else labels[:NAMED]
    rest = len(labels) - len(named)
    return capfirst(", ".join(named)) + (f" and {rest} more" if rest else "")


def not_signed(units: Units, person: User) -> Listing:
    """The person's own operation notes without a signature, newest first."""
    own = Q(lead_surgeon__user=person) | Q(repaired_by__user=person)
    notes = operations_of(units).filter(own, BY_CODE["signed"].gap)
    lines = [
        Line(note.knee, note.operated_on, f"Entered {_day(note)}", f"operation-{note.uuid}")
        for note in notes[:LISTED]
    ]
    return Listing("My operation notes, not signed", "Operated", notes.count(), lines)


def _day(note: IndexProcedure) -> str:
    return date_format(timezone.localtime(note.recorded_at))
