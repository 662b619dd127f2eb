"""Does a second reader classify a tear as the operating surgeon did: field by field, counted by the database.

No surgeon is told apart from another: only tears are counted.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db.models import Count, Exists, OuterRef, QuerySet
from numpy.typing import NDArray

from outcomes.cache import remembered
from outcomes.estimators.agreement import Kappa, kappa
from outcomes.published_agreement import PublishedAgreement, published_agreement
from outcomes.results import FEWEST_SHOWN
from registry.models import TearReading, Unit

FIRST_READING = (
    "A tear counts once, by its first reading that stands: further readers of one tear are not independent. "
    "Of a field, tears count in which the operating surgeon recorded it; a reader has to."
)


@dataclass(frozen=True, slots=True)
class FieldAgreement:
    """Agreement on one field: the operating surgeon's value (first rater) against the second reader's.

    `kappa` is None where no tear has both. `unrecorded` tears were read, but the surgeon left the field open.
    Under `fewest` tears only counts may be shown. `published` is None where none was found in print.
    """

    field: str
    label: str
    kappa: Kappa | None
    unrecorded: int
    fewest: int
    published: PublishedAgreement | None

    @property
    def n(self) -> int:
        """Tears that have both."""
        return self.kappa.n if self.kappa else 0

    @property
    def is_shown(self) -> bool:
        """Whether its shares may be shown."""
        return self.n >= self.fewest


def readers(units: QuerySet[Unit]) -> tuple[FieldAgreement, ...]:
    """Agreement on every field of a second reading, on tears operated on in these units."""
    keys = tuple(sorted(units.values_list("pk", flat=True)))
    return remembered("readers", keys, lambda: _readers(units))


def fewest_shown(units: QuerySet[Unit]) -> int:
    """The smallest number of which shares may be shown: the largest that one of the units asks for."""
    return max((FEWEST_SHOWN, *units.values_list("smallest_count_shown", flat=True)))


def first_readings(units: QuerySet[Unit]) -> QuerySet[TearReading]:
    """The first reading of each tear that stands."""
    before = TearReading.objects.filter(tear=OuterRef("tear"), pk__lt=OuterRef("pk"))
    return TearReading.objects.filter(~Exists(before), tear__procedure__unit__in=units).order_by()


def _readers(units: QuerySet[Unit]) -> tuple[FieldAgreement, ...]:
    readings, fewest = first_readings(units), fewest_shown(units)
    return tuple(_agreement(readings, field, fewest) for field in TearReading.READ)


def _agreement(readings: QuerySet[TearReading], field: str, fewest: int) -> FieldAgreement:
    pairs = readings.values_list(f"tear__{field}", field).annotate(n=Count("pk"))
    counts = {(first, second): n for first, second, n in pairs}
    both = {pair: n for pair, n in counts.items() if pair[0] not in ("", None)}
    column: Any = TearReading._meta.get_field(field)
    # In the order of the vocabulary, and only those that somebody chose.
    labels = {code: label for code, label in column.choices if any(code in pair for pair in both)}
    return FieldAgreement(
        field=field,
        label=str(column.verbose_name),
        kappa=kappa(_square(both, [*labels]), [*labels.values()]) if both else None,
        unrecorded=sum(counts.values()) - sum(both.values()),
        fewest=fewest,
        published=published_agreement().get(field),
    )


def _square(counts: dict[tuple[Any, Any], int], codes: list[Any]) -> NDArray[np.int64]:
    return np.array([[counts.get((first, second), 0) for second in codes] for first in codes], dtype=np.int64)
