"""Selects of the form that asks for a cohort."""

from dataclasses import asdict
from typing import Any

from django.db.models import QuerySet

from outcomes.cohort import Cohort
from registry.models import Unit

_LABELS = {"which": "Repairs", "unit": "Unit", "meniscus": "Meniscus", "pattern": "Tear pattern"}

Select = dict[str, Any]


def select(name: str, label: str, choices: dict[str, str], chosen: str) -> Select:
    """One select, its choices as code and label."""
    return {"name": name, "label": label, "choices": choices, "chosen": chosen}


def of_cohort(cohort: Cohort, units: QuerySet[Unit]) -> list[Select]:
    """What narrows a cohort, as chosen."""
    chosen = asdict(cohort)
    return [
        select(name, _LABELS[name], choices, chosen[name]) for name, choices in Cohort.choices(units).items()
    ]
