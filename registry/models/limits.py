"""Limits said once and held twice: in words by a validator, and by the database as a constraint."""

from datetime import UTC, date, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db.models import CheckConstraint, Choices, Q
from django.utils import timezone
from django.utils.formats import date_format


class FieldCheck(CheckConstraint):
    """A database check whose words are the field's own choices or validators, so it is not asked twice."""

    def validate(self, *_: Any, **__: Any) -> None:
        """Leave it to the field: a query for every check would slow each save for nothing."""


def between(low: float, high: float, what: str) -> list[MinValueValidator | MaxValueValidator]:
    """Validators that refuse a value outside [low, high], naming value, rule and mend."""
    words = f"{what} %(show_value)s is outside {low:g} to {high:g}. Correct it, or leave it empty if unknown."
    return [MinValueValidator(low, message=words), MaxValueValidator(high, message=words)]


def range_check(model: str, field: str, low: float, high: float) -> CheckConstraint:
    """Database check that a field, where filled, lies in [low, high]."""
    inside = Q(**{f"{field}__gte": low, f"{field}__lte": high})
    return FieldCheck(condition=Q(**{f"{field}__isnull": True}) | inside, name=f"{model}_{field}_range")


def choice_checks(model: str, *, optional: bool = False, **choices: type[Choices]) -> list[CheckConstraint]:
    """Database checks that each named field holds one of its codes, or the empty text where `optional`.

    A null passes by SQL's rule for checks; whether null is allowed is the column's own business.
    """
    return [_choice_check(model, field, [""] * optional + codes.values) for field, codes in choices.items()]


def _choice_check(model: str, field: str, allowed: list[Any]) -> CheckConstraint:
    # "a = x OR a = y" rather than "a IN (x, y)": SQLite builds a small table for IN, at every row anew.
    one_of = Q(*((field, value) for value in allowed), _connector=Q.OR)
    return FieldCheck(condition=one_of, name=f"{model}_{field}_code")


def told(day: date | None) -> str:
    """A day as pages show it, in the words of rows and refusals."""
    return str(date_format(day)) if day else "no date"


# The easternmost offset of the time-zone database: where a day begins first.
FIRST_TO_BEGIN_A_DAY = timedelta(hours=14)


def not_in_future(value: date) -> None:
    """Refuse a day that has not begun anywhere on Earth: a unit may lie in any time zone."""
    latest = (timezone.now().astimezone(UTC) + FIRST_TO_BEGIN_A_DAY).date()
    if value > latest:
        raise ValidationError(
            "%(value)s lies in the future (nowhere is it later than %(latest)s yet). Correct the date.",
            code="future",
            params={"value": told(value), "latest": told(latest)},
        )
