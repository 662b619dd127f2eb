"""Many rows of one table checked in words; what held of the same values before is not asked again.

Old notes repeat themselves: of fifty fields of an operation most say what thousands of others say.
"""

from collections.abc import Iterator, Mapping, Set
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import CheckConstraint, F, Model, Q, UniqueConstraint

from registry.models.limits import FieldCheck
from registry.models.row_checks import is_known_to_hold

References = Mapping[str, Set[Any]]


class TableChecks:
    """The rules of one table but for uniqueness, which the database keeps."""

    def __init__(self, table: type[Model]) -> None:
        self._table = table
        self._fields = [each for each in table._meta.concrete_fields if not each.is_relation]
        self._checks = [
            (each, _columns(each))
            for each in table._meta.constraints
            if not isinstance(each, UniqueConstraint | FieldCheck)
        ]
        self._sound: set[tuple[str, type, Any]] = set()
        self._held: set[tuple[str, tuple[Any, ...]]] = set()

    def broken_rule(self, row: Model, known: References) -> ValidationError | None:
        """What a row breaks, in words; `known` are the keys that each of its foreign keys may hold."""
        sound = {name for name, keys in known.items() if getattr(row, f"{name}_id") in keys}
        sound |= {each[0] for each in self._values(row) if each in self._sound}
        try:
            row.full_clean(exclude=sound, validate_unique=False, validate_constraints=False)
            self._check(row)
        except ValidationError as problem:
            return problem
        # As they are now: cleaned, so that cleaning them once more would change nothing.
        self._sound.update(self._values(row))
        return None

    def _values(self, row: Model) -> Iterator[tuple[str, type, Any]]:
        """What a row has in its fields, but for values that hold others."""
        for each in self._fields:
            value = getattr(row, each.attname)
            if not isinstance(value, dict | list):
                yield each.name, type(value), value

    def _check(self, row: Model) -> None:
        for constraint, columns in self._checks:
            values = constraint.name, tuple(getattr(row, name) for name in columns)
            if columns and values in self._held:
                continue
            if not is_known_to_hold(constraint, row):
                constraint.validate(self._table, row)
            self._held.add(values)


def _columns(constraint: Any) -> tuple[str, ...]:
    """The columns that a check is about; none where it cannot be told."""
    is_plain = isinstance(constraint, CheckConstraint) and isinstance(constraint.condition, Q)
    return tuple(sorted(set(_named(constraint.condition)))) if is_plain else ()


def _named(condition: Any) -> Iterator[str]:
    for part in condition.children:
        if isinstance(part, Q):
            yield from _named(part)
        else:
            path, wanted = part
            yield path.partition("__")[0]
            if isinstance(wanted, F):
                yield wanted.name  # type: ignore[attr-defined]
