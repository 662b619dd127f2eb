"""What hangs on a patient: every table whose rows lead to one, found from the models themselves.

A new table of the record is thereby in the patient's file and in an erasure without a line of its own.
"""

from collections.abc import Iterator
from functools import cache, reduce
from operator import or_
from typing import Any

from django.db.models import ManyToOneRel, Model, OneToOneRel, Q, QuerySet

from registry.models import Correction, Patient

Keys = dict[type[Model], set[int]]


@cache
def paths() -> dict[type[Model], tuple[str, ...]]:
    """Every table that hangs on a patient, with the look-ups that lead from its rows to the patient.

    A table stands after those that its rows are part of; the patient's own comes first.
    """
    found: dict[type[Model], dict[str, None]] = {Patient: {"pk": None}}
    for model, path in _below(Patient, ""):
        # What is part of a part stands after it.
        found[model] = {**found.pop(model, {}), path: None}
    return {model: tuple(ways) for model, ways in found.items()}


def _below(model: type[Model], path: str) -> Iterator[tuple[type[Model], str]]:
    for relation in model._meta.related_objects:
        if not isinstance(relation, ManyToOneRel | OneToOneRel) or relation.related_model is model:
            continue
        below: Any = relation.related_model
        way = f"{relation.field.name}__{path}" if path else relation.field.name
        yield below, way
        yield from _below(below, way)


def rows_of(model: type[Model], patient: Patient) -> QuerySet[Any]:
    """The rows of a table that hang on a patient, also those withdrawn."""
    ways = (Q(**{path: patient.pk}) for path in paths()[model])
    return model._base_manager.filter(reduce(or_, ways)).order_by("pk").distinct()


def keys_of(patient: Patient) -> Keys:
    """The keys of all that hangs on a patient, by table; corrections by what they say, not by their row."""
    keys: Keys = {
        model: set(rows_of(model, patient).order_by().values_list("pk", flat=True))
        for model in paths()
        if model is not Correction
    }
    keys[Correction] = _corrections(keys)
    return keys


def _corrections(keys: Keys) -> set[int]:
    """Of each of these rows, also if it was another patient's when it was corrected."""
    of_rows = (Q(row_table=model._meta.db_table, row_id__in=held) for model, held in keys.items() if held)
    return set(Correction.objects.filter(reduce(or_, of_rows)).order_by().values_list("pk", flat=True))
