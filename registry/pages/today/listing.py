"""A list of knees on Today: its first lines, and how many there are in all."""

from dataclasses import dataclass
from datetime import date

from django.db.models import QuerySet

from registry.models import IndexProcedure, Knee, Unit

LISTED = 20

Units = QuerySet[Unit]


@dataclass(frozen=True, slots=True)
class Line:
    """One knee of a list, with a date and a few words.

    `anchor` is a place in its story; `url` another page of it, where that is the one to open.
    """

    knee: Knee
    on: date
    text: str
    anchor: str = ""
    url: str = ""


@dataclass(frozen=True, slots=True)
class Listing:
    """The first lines of a list and how many there are in all."""

    title: str
    date_label: str
    total: int
    lines: list[Line]


def operations_of(units: Units) -> QuerySet[IndexProcedure]:
    """The operations of these units, newest first."""
    return IndexProcedure.objects.filter(unit__in=units).select_related("knee__patient")
