"""What second looks found of the repaired tears: healed, partly healed or failed; counted by the database."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from django.db.models import Case, CharField, Count, Exists, F, OuterRef, Q, Value, When

from outcomes.briefing.asked import Brief
from outcomes.estimators.cautions import informative_looks
from outcomes.estimators.rates import Proportion, proportion
from registry.models import SecondLookFinding
from registry.vocabulary import LookReason

CLASSES = {"healed": "Healed", "partly": "Partly healed", "failed": "Failed", "untold": "Class not told"}
RULE = (
    "A tear counts once, by its first second look at which the healed share of its thickness was recorded. "
    "Failed, partly healed and healed by the unit's limits of the residual cleft; a cleft below the lower "
    "limit is healed only along the full length, and not told where the length was not recorded."
)


@dataclass(frozen=True, slots=True)
class Looks:
    """The classes of so many `repairs` that were `looked_at`; `reasons` counts why their knees were."""

    repairs: int
    looked_at: int
    classes: tuple[tuple[str, Proportion], ...]
    reasons: tuple[tuple[str, int], ...]
    cautions: tuple[str, ...]


def looks_of(brief: Brief) -> Looks:
    """Count the looks at the primary repairs followed; two queries."""
    repairs = brief.repairs(brief.followed)
    known = SecondLookFinding.objects.filter(healed_thickness_percent__isnull=False)
    before = Q(look__looked_on__lt=OuterRef("look__looked_on")) | Q(
        look__looked_on=OuterRef("look__looked_on"), pk__lt=OuterRef("pk")
    )
    first = known.filter(
        ~Exists(known.filter(before, tear=OuterRef("tear"))), tear__in=repairs.order_by().values("tear")
    )
    rows = first.order_by().annotate(healing=_class()).values_list("healing", "look__reason")
    counts = [(healing, reason, n) for healing, reason, n in rows.annotate(n=Count("pk"))]
    classes, reasons = Counter[str](), Counter[str]()
    for healing, reason, n in counts:
        classes[healing] += n
        reasons[reason] += n
    total, seen = repairs.count(), sum(classes.values())
    caution = informative_looks(seen, total)
    return Looks(
        repairs=total,
        looked_at=seen,
        classes=tuple((code, proportion(classes[code], seen)) for code in CLASSES),
        reasons=tuple((code, reasons[code]) for code in LookReason.values if reasons[code]),
        cautions=(caution.sentence,) if caution else (),
    )


def _class() -> Case:
    """registry.rules.healing.second_look_class in the database, by the limits of the patient's unit."""
    limits = "look__knee__patient__unit__"
    failed_from, healed_below = (
        F(f"{limits}failed_cleft_from_percent"),
        F(f"{limits}healed_cleft_below_percent"),
    )
    return Case(
        When(healed_thickness_percent__lte=100 - failed_from, then=Value("failed")),
        When(healed_thickness_percent__lte=100 - healed_below, then=Value("partly")),
        When(healed_length_percent__isnull=True, then=Value("untold")),
        When(healed_length_percent=100, then=Value("healed")),
        default=Value("partly"),
        output_field=CharField(),
    )
