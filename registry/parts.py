"""What stands as part of a row of the record, as deep as it goes."""

from collections.abc import Iterator
from typing import Any

from registry.models import IndexProcedure, Kept


def parts_of(row: Kept) -> Iterator[Kept]:
    """Everything standing that is part of a row, each once, a part before its whole; the row itself last."""
    return _parts_of(row, set())


def _parts_of(row: Kept, told: set[tuple[str, int]]) -> Iterator[Kept]:
    # Operations last: what followed them cannot stand before a knee's first.
    relations = sorted(row._meta.related_objects, key=lambda each: each.related_model is IndexProcedure)
    for relation in relations:
        model: Any = relation.related_model
        if issubclass(model, Kept) and relation.field.name in model.PART_OF:
            for part in model.objects.filter(**{relation.field.name: row}):
                # Some are part of two things: a finding of its look and its tear.
                if (model._meta.db_table, part.pk) not in told:
                    told.add((model._meta.db_table, part.pk))
                    yield from _parts_of(part, told)
    yield row
