"""Complications of the operations of the period: by kind, by grade, and the share of operations with any."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Exists, OuterRef, Q, QuerySet, Subquery

from outcomes.briefing.asked import Brief
from outcomes.estimators.rates import Proportion, proportion
from registry.models import Complication, IndexProcedure, Repair
from registry.vocabulary import ComplicationKind, Severity

SEVERE = (Severity.III, Severity.IV, Severity.V)
RULE = (
    "Operations of the period with a repair. A complication belongs to the latest operation on its knee up "
    "to the day it was noticed, however long after; one not noticed, or not recorded, is not here. Severe: "
    "Clavien-Dindo grade III or more."
)
_LATEST = "latest_operation"


@dataclass(frozen=True, slots=True)
class Complications:
    """So many complications by kind and grade; the shares of operations with any, and with a severe one."""

    kinds: tuple[tuple[str, int], ...]
    grades: tuple[tuple[str, int], ...]
    any: Proportion
    severe: Proportion


def complications_in(brief: Brief) -> Complications:
    """Count the complications of the period's operations; three queries."""
    rows = of_operations(brief).order_by()
    counts = list(rows.values_list("kind", "severity").annotate(n=Count("pk")))
    with_any = rows.aggregate(
        any=Count(_LATEST, distinct=True),
        severe=Count(_LATEST, distinct=True, filter=Q(severity__in=SEVERE)),
    )
    operations = _operations(brief).count()
    return Complications(
        kinds=_by(ComplicationKind.values, ((kind, n) for kind, _, n in counts)),
        grades=_by(Severity.values, ((grade, n) for _, grade, n in counts)),
        any=proportion(with_any["any"], operations),
        severe=proportion(with_any["severe"], operations),
    )


def of_operations(brief: Brief) -> QuerySet[Complication]:
    """The complications, each with the key of its operation, that belong to operations of the period."""
    latest = IndexProcedure.objects.filter(
        knee=OuterRef("knee"), operated_on__lte=OuterRef("noticed_on")
    ).order_by("-operated_on", "-pk")
    rows = Complication.objects.annotate(**{_LATEST: Subquery(latest.values("pk")[:1])})
    return rows.filter(**{f"{_LATEST}__in": _operations(brief).values("pk")})


def _operations(brief: Brief) -> QuerySet[IndexProcedure]:
    repaired = Exists(Repair.objects.filter(tear__procedure=OuterRef("pk")))
    return brief.period.operations().filter(repaired, unit=brief.unit)


def _by(codes: list[Any], counts: Any) -> tuple[tuple[str, int], ...]:
    summed = dict.fromkeys(codes, 0)
    for code, n in counts:
        summed[code] += n
    return tuple((code, n) for code, n in summed.items() if n)
