"""Checks within one row judged from its own values, in SQL's three-valued logic, without asking the database.

Django asks one query for each check at each save. A check that is known here to hold is not asked again; all
else stays with Django, and so do a refusal and its words.
"""

import operator
from collections.abc import Callable, Sequence
from datetime import date, datetime
from decimal import Decimal
from functools import cache
from typing import Any

from django.core.exceptions import ValidationError
from django.db import DEFAULT_DB_ALIAS, models
from django.db.models import CheckConstraint, F, Q, UniqueConstraint

from registry.models.limits import FieldCheck

# None is SQL's null.
Truth = bool | None

_COMPARISONS: dict[str, Callable[[Any, Any], bool]] = {
    "exact": operator.eq,
    "gt": operator.gt,
    "gte": operator.ge,
    "lt": operator.lt,
    "lte": operator.le,
}
# Kinds of value that Python compares as either database does; a subclass goes before its base.
_OF_VALUES: dict[type, str] = {
    bool: "truth",
    int: "number",
    Decimal: "number",
    str: "text",
    datetime: "moment",
    date: "day",
}
_OF_COLUMNS: "dict[type[models.Field[Any, Any]], str]" = {
    models.BooleanField: "truth",
    models.IntegerField: "number",
    models.DecimalField: "number",
    models.ForeignKey: "number",
    models.CharField: "text",
    models.TextField: "text",
    models.DateTimeField: "moment",
    models.DateField: "day",
}
# Text has an order too, but each database has its own.
_ORDERED = {"number", "moment", "day"}


class NotJudged(Exception):  # noqa: N818 - a state of affairs, not a mistake
    """Only the database can tell."""


class Once(UniqueConstraint):
    """Unique among the rows that meet its condition, asked by a plain query.

    Django asks by `Q.check`, which takes any error of the database for a yes: whoever loses the connection
    there would be told that the same is on record already.
    """

    def validate(
        self, model: Any, instance: models.Model, exclude: Any = None, using: str = DEFAULT_DB_ALIAS
    ) -> None:
        """Raise ValidationError where another row that meets the condition has the same in all fields."""
        same = {name: getattr(instance, model._meta.get_field(name).attname) for name in self.fields}
        if None in same.values() or set(self.fields) & set(exclude or ()):
            return
        condition: Any = self.condition
        try:
            if truth(condition, instance) is False:
                return
        except NotJudged:
            return super().validate(model, instance, exclude, using)
        others = model._default_manager.using(using).filter(condition, **same)
        if not instance._state.adding:
            others = others.exclude(pk=instance.pk)
        if others.exists():
            raise ValidationError(self.get_violation_error_message(), code=self.violation_error_code)


class RowChecked(models.Model):
    """Base of rows whose checks are judged from the row as far as that can be done."""

    class Meta:
        abstract = True

    def get_constraints(self) -> list[tuple[type[models.Model], Sequence[models.BaseConstraint]]]:
        """The constraints that a save still has to ask about, by the model that declares them."""
        return [
            (model, [_plainly_asked(each) for each in constraints if not is_known_to_hold(each, self)])
            for model, constraints in super().get_constraints()
        ]


def _plainly_asked(constraint: models.BaseConstraint) -> models.BaseConstraint:
    if not isinstance(constraint, UniqueConstraint) or constraint.nulls_distinct is False:
        return constraint
    if not (constraint.fields and constraint.condition):
        return constraint
    return Once(
        fields=constraint.fields,
        condition=constraint.condition,
        name=constraint.name,
        violation_error_code=constraint.violation_error_code,
        violation_error_message=constraint.violation_error_message,
    )


def is_known_to_hold(constraint: models.BaseConstraint, row: models.Model) -> bool:
    """Whether a check needs no asking of the database: it holds for this row by the row's own values."""
    # Which fields a save leaves out does not matter: Django lets a check of such a field pass.
    if not isinstance(constraint, CheckConstraint) or isinstance(constraint, FieldCheck):
        return False
    try:
        return _truth_of(constraint.condition, row) is not False
    except NotJudged:
        return False


def truth(condition: Q, row: models.Model) -> Truth:
    """What a condition comes to for a row: true, false or null. A check fails only when it is false.

    Raises
    ------
    NotJudged
        It holds a lookup, a column or a value of which only the database can tell.
    """
    parts = [_truth_of(part, row) for part in condition.children]
    if not parts:
        raise NotJudged
    whole = _JOINED[condition.connector](parts)
    return _not(whole) if condition.negated else whole


def _truth_of(part: Any, row: models.Model) -> Truth:
    match part:
        case Q():
            return truth(part, row)
        case (str(path), F() as other):
            return _compared(*_column_and_lookup(path, row), _value(other.name, row))  # type: ignore[attr-defined]
        case (str(path), wanted):
            return _looked_up(*_column_and_lookup(path, row), wanted)
    raise NotJudged


def _column_and_lookup(path: str, row: models.Model) -> tuple[Any, str]:
    name, _, lookup = path.partition("__")
    return _value(name, row), lookup or "exact"


def _looked_up(value: Any, lookup: str, wanted: Any) -> Truth:
    if lookup == "isnull":
        return (value is None) is bool(wanted)
    if lookup == "exact" and wanted is None:
        return value is None
    if lookup == "in" and isinstance(wanted, list | tuple) and wanted and None not in wanted:
        return _or([_compared(value, "exact", each) for each in wanted])
    return _compared(value, lookup, wanted)


def _compared(value: Any, lookup: str, other: Any) -> Truth:
    if lookup not in _COMPARISONS:
        raise NotJudged
    if value is None or other is None:
        return None
    kind = _kind(value)
    if kind != _kind(other) or (lookup != "exact" and kind not in _ORDERED):
        raise NotJudged
    return _COMPARISONS[lookup](value, other)


def _value(name: str, row: models.Model) -> Any:
    """What a row has in a column, None for null; of no other kind than the column's."""
    attribute, kind = _columns(type(row)).get(name, (name, ""))
    if not kind:
        raise NotJudged
    value = getattr(row, attribute)
    if value is not None and _kind(value) != kind:
        raise NotJudged
    return value


@cache
def _columns(model: type[models.Model]) -> dict[str, tuple[str, str]]:
    """Attribute and kind of value by name of field, of those columns that can be judged."""
    named = {field.name: field for field in model._meta.local_concrete_fields} | {"pk": model._meta.pk}
    return {
        name: (field.attname, kind)
        for name, field in named.items()
        if (kind := _first_kind(type(field), _OF_COLUMNS))
    }


def _kind(value: Any) -> str:
    kind = _first_kind(type(value), _OF_VALUES)
    naive = kind == "moment" and value.tzinfo is None
    endless = isinstance(value, Decimal) and not value.is_finite()
    if not kind or naive or endless:
        raise NotJudged
    return kind


def _first_kind(found: type, kinds: dict[Any, str]) -> str:
    """The kind of the first base a class has; empty for none."""
    return next((kind for base, kind in kinds.items() if issubclass(found, base)), "")


def _and(parts: Sequence[Truth]) -> Truth:
    return False if False in parts else None if None in parts else True


def _or(parts: Sequence[Truth]) -> Truth:
    return True if True in parts else None if None in parts else False


def _odd(parts: Sequence[Truth]) -> Truth:
    """Django's way to say it where the database has none: one at least, and an odd number, are true.

    Of a single part that is unknown, what comes out depends on where it stands: that is left to the database.
    """
    if len(parts) == 1:
        raise NotJudged
    return _and([_or(parts), sum(part is True for part in parts) % 2 == 1])


def _not(part: Truth) -> Truth:
    return None if part is None else not part


_JOINED: dict[str, Callable[[Sequence[Truth]], Truth]] = {Q.AND: _and, Q.OR: _or, Q.XOR: _odd}
