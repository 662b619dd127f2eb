"""Which columns hold sealed values. Read from the models, so that a new one is covered by its name."""

from dataclasses import dataclass

from django.apps import apps
from django.db.models import BinaryField, Model

from registry.models import Correction
from registry.sealing import is_sealed

# Columns of a correction that tell values by column, sealed ones as they are sealed.
TOLD = ("before", "after")


@dataclass(frozen=True, slots=True)
class Sealed:
    """One table and its sealed columns; of corrections those that hold such values."""

    model: type[Model]
    columns: tuple[str, ...]

    @property
    def table(self) -> str:
        return self.model._meta.db_table

    @property
    def has_files(self) -> bool:
        """Whether a single value may be as long as a file."""
        return any(isinstance(self.model._meta.get_field(name), BinaryField) for name in self.columns)


def sealed_tables() -> list[Sealed]:
    """Every table with sealed values."""
    found = []
    for model in apps.get_models():
        columns = tuple(each.attname for each in model._meta.concrete_fields if is_sealed(each.attname))
        columns += TOLD if model is Correction else ()
        if columns:
            found.append(Sealed(model, columns))
    return found
