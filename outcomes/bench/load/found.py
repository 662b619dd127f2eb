"""What people were told, looked up in the database: every visit, every correction, and each version once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

from django.db.models import Sum

from outcomes.bench.load.mix import Person, VisitPlace
from registry.models import Correction, Visit


@dataclass(frozen=True, slots=True)
class Writes:
    """Acknowledged beside found; `met` were told that somebody else was first, and saved nothing."""

    visits_acknowledged: int
    visits_found: int
    corrections_acknowledged: int
    corrections_found: int
    versions_added: int
    met: int

    @property
    def none_lost(self) -> bool:
        return (
            self.visits_found == self.visits_acknowledged
            and self.corrections_found == self.corrections_acknowledged == self.versions_added
        )

    @classmethod
    def of(cls, people: Sequence[Person], versions_added: int) -> Self:
        visits = [visit for person in people for visit in person.recorded]
        reasons = [reason for person in people for reason in person.corrected]
        return cls(
            visits_acknowledged=len(visits),
            visits_found=Visit.objects.filter(uuid__in=visits).count(),
            corrections_acknowledged=len(reasons),
            corrections_found=Correction.objects.filter(reason__in=reasons).count(),
            versions_added=versions_added,
            met=sum(person.met for person in people),
        )


def versions_of(shared: Sequence[VisitPlace]) -> int:
    """The versions of the visits that all correct, added up."""
    found = Visit.objects.filter(uuid__in=[place.visit for place in shared]).aggregate(all=Sum("version"))
    return found["all"] or 0
