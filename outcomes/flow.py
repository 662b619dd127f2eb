"""Who was assessed, who was left out by which rule, and who remains: the flow of a cohort, step by step.

As guidelines for reporting observational studies ask for it: STROBE item 13 (von Elm E et al. PLoS Med
2007;4:e296).
"""

from collections.abc import Iterator

from django.db.models import Count, Q, QuerySet

from outcomes.cohort import Cohort, Rule, known_of
from outcomes.flow_step import FlowStep
from registry.models import Repair, Unit

ASSESSED = "assessed"


def cohort_flow(cohort: Cohort, units: QuerySet[Unit]) -> tuple[FlowStep, ...]:
    """From all repairs on record in these units to those of the cohort, a step a filter; one query."""
    rules = cohort.rules()
    on_record = Repair.objects.filter(tear__procedure__unit__in=units).alias(**known_of(rules))
    counted = on_record.aggregate(
        **{ASSESSED: Count("pk")},
        **{f"after_{code}": Count("pk", filter=passed) for code, passed in _passed(rules)},
    )
    remaining, steps = counted[ASSESSED], [FlowStep(ASSESSED, "Repairs on record", 0, counted[ASSESSED])]
    for rule in rules:
        left = counted[f"after_{rule.code}"]
        steps.append(FlowStep(rule.code, rule.label, remaining - left, left))
        remaining = left
    return tuple(steps)


def _passed(rules: list[Rule]) -> Iterator[tuple[str, Q]]:
    """Each rule by code, with the condition of having passed it and all before it."""
    passed = Q()
    for rule in rules:
        passed &= rule.condition
        yield rule.code, passed
