"""The one way in: every write to the record passes here, checked in words and saved whole or not at all."""

from django.db import models, transaction


@transaction.atomic
def record(*rows: models.Model) -> None:
    """Check and save rows in the order given, a row after those it refers to; all or nothing.

    Raises
    ------
    django.core.exceptions.ValidationError
        The first row that breaks a rule, in words by field.
    django.db.IntegrityError
        A rule that only the database could see (two people writing at once).
    """
    for row in rows:
        _take_up_saved_references(row)
        row.full_clean()
        row.save()


def _take_up_saved_references(row: models.Model) -> None:
    """A row built on a then unsaved row learns that one's key."""
    for field in row._meta.concrete_fields:
        if isinstance(field, models.ForeignKey) and field.is_cached(row):
            setattr(row, field.name, getattr(row, field.name))
