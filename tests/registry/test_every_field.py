"""Every field of the clinical vocabulary: where it is entered, what holds it, and that the holding works.

The list of what must be there is written out; the rest of the table is read from forms, models and database,
and every limit it names is tried at its edge against the database alone.
"""

import importlib
import inspect
import pkgutil
from collections.abc import Callable, Iterator
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django import forms
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import IntegrityError, models, transaction

import registry.pages
from registry import models as record_models
from registry.models import Kept
from registry.models.cross_rules import CROSS_RULES
from registry.models.history_rules import kept_models
from registry.models.limits import not_in_future
from tests import factories
from tests.conftest import Cast
from tests.registry.every_field import DERIVED, ENTERED_OTHERWISE, STORED
from tests.registry.one_of_each import one_of_each
from tests.servers import SAID_AT_THE_END

# Written by the record itself, never by a person.
OWN = {
    "id",
    "uuid",
    "version",
    "withdrawn_at",
    "recorded_at",
    "recorded_by",
    "signed_at",
    "signed_by",
    "from_old_notes",
    "instrument_version",
    "scale_values",
}


def field_of(path: str) -> "models.Field[Any, Any]":
    model, name = path.split(".")
    found: models.Field[Any, Any] = getattr(record_models, model)._meta.get_field(name)
    return found


def forms_of_the_site() -> Iterator[type[forms.BaseForm]]:
    for module in pkgutil.walk_packages(registry.pages.__path__, "registry.pages."):
        for _, found in inspect.getmembers(importlib.import_module(module.name), inspect.isclass):
            if issubclass(found, forms.BaseForm):
                yield found


def entered_on() -> dict[str, set[str]]:
    """Names of the forms that ask for a field, by "Model.field"."""
    asked: dict[str, set[str]] = {}
    for form in forms_of_the_site():
        model = getattr(getattr(form, "_meta", None), "model", None)
        for name in form.base_fields if model else ():  # type: ignore[attr-defined]
            asked.setdefault(f"{model.__name__}.{name}", set()).add(form.__name__)
    return asked


def rules_of(path: str) -> list[str]:
    """What the database holds of a field, by name of constraint or rule, or by what its column is."""
    field = field_of(path)
    named = [
        constraint.name
        for constraint in field.model._meta.constraints
        if field.name in _names_in(constraint) or field.attname in _names_in(constraint)
    ]
    table = field.model._meta.db_table
    crossed = [
        rule.name for rule in CROSS_RULES if rule.table == table and f"NEW.{field.column}" in rule.wrong
    ]
    column = [] if field.null or field.has_default() or getattr(field, "blank", False) else ["not null"]
    kind = {"ForeignKey": "foreign key", "BooleanField": "boolean", "DateField": "date"}
    return [*named, *crossed, *column, kind.get(field.get_internal_type(), field.get_internal_type())]


def _names_in(constraint: models.BaseConstraint) -> set[str]:
    if isinstance(constraint, models.UniqueConstraint):
        return set(constraint.fields)
    assert isinstance(constraint, models.CheckConstraint)
    return {name.partition("__")[0] for name in _looked_up(constraint.condition)}


def _looked_up(node: Any) -> Iterator[str]:
    if isinstance(node, models.Q):
        for child in node.children:
            yield from (child[0],) if isinstance(child, tuple) else _looked_up(child)
            if isinstance(child, tuple) and isinstance(child[1], models.F):
                yield child[1].name
    elif isinstance(node, models.F):
        yield node.name
    else:
        for part in node.get_source_expressions():
            yield from _looked_up(part)


HEADINGS = "subject | term | stored in | entered on | rule | held by the database as | tried by"
ON_THE_STORY = "test_knee_story_whole.py"
# Not part of a knee's story: where they are tried instead.
TRIED_ELSEWHERE = {
    "Unit": "test_unit.py",
    "PlannedTimePoint": "test_unit.py",
    "PatientReport": "test_verify_report.py",
    "Surgeon": "test_unit.py",
    "GradePeriod": "test_unit.py",
    "Identity": "test_identity.py",
    "TearReading": "test_readings.py",
}


def rule_of(path: str) -> str:
    """What a value has to be, in words."""
    field = field_of(path)
    if path in _ranged():
        low, high = _limits(path)
        return f"{low:f} to {high:f}"
    if field.choices:
        return f"one of {len(list(field.choices))} codes"
    if isinstance(field, models.DateField):
        return "a day not in the future" if not_in_future in field.validators else "a day"
    if isinstance(field, models.CharField | models.TextField):
        own = [each.__name__ for each in _own_validators(field)]
        return ", ".join([f"text up to {field.max_length}" if field.max_length else "text", *own])
    return {"BooleanField": "yes or no", "JSONField": "the instrument's own items"}.get(
        field.get_internal_type(), "a row on record"
    )


def tried_by(path: str) -> str:
    """The tests that try a field at its edge, or else that keep and show it."""
    model = path.split(".")[0]
    limit = ["test_the_database_takes_a_value_at_its_limit"] if path in _ranged() else []
    code = ["test_the_database_refuses_a_code_that_is_none"] if path in _coded() else []
    return ", ".join([*limit, *code, TRIED_ELSEWHERE.get(model, ON_THE_STORY)])


# --- nothing is missing ---------------------------------------------------------------------------


def test_every_term_of_the_vocabulary_is_stored_and_asked_for(
    record_property: Callable[[str, object], None],
) -> None:
    asked = entered_on()
    lines, unasked = [], []
    for subject, term, path in STORED:
        where = ENTERED_OTHERWISE.get(path) or ", ".join(sorted(asked.get(path, ())))
        unasked += [] if where else [path]
        cells = (subject, term, path, where, rule_of(path), ", ".join(rules_of(path)), tried_by(path))
        lines.append(" | ".join(cells))
    assert unasked == []
    for subject, term, path in DERIVED:
        module, _, name = path.rpartition(".")
        assert callable(getattr(importlib.import_module(module), name)), path
        lines.append(f"{subject} | {term} | derived by {path}")
    record_property(SAID_AT_THE_END, "\n".join([HEADINGS, *lines]))


def test_every_column_is_a_term_of_the_vocabulary() -> None:
    listed = {path for _, _, path in STORED}
    columns = {
        f"{model.__name__}.{field.name}"
        for model in kept_models()
        for field in model._meta.concrete_fields
        if field.name not in OWN and field.name not in model.PART_OF
    }
    assert columns - listed == set()


# --- what the database holds, at its edge ------------------------------------------------------------


def _ranged() -> list[str]:
    return [
        f"{model.__name__}.{field.name}"
        for model in kept_models()
        for field in model._meta.concrete_fields
        if any(isinstance(each, MinValueValidator) for each in _own_validators(field))
    ]


def _own_validators(field: "models.Field[Any, Any]") -> list[Any]:
    # Those declared with the field; Django adds its own of the integer's width.
    return list(field._validators)  # type: ignore[attr-defined]


def _limits(path: str) -> tuple[Decimal, Decimal]:
    own = _own_validators(field_of(path))
    low = next(each.limit_value for each in own if isinstance(each, MinValueValidator))
    high = next(each.limit_value for each in own if isinstance(each, MaxValueValidator))
    return Decimal(str(low)), Decimal(str(high))


def _step(path: str) -> Decimal:
    field = field_of(path)
    places = field.decimal_places if isinstance(field, models.DecimalField) else 0
    return Decimal(1).scaleb(-places)


# Fields that others must agree with when they are changed alone.
TOGETHER: dict[str, Callable[[Any], dict[str, Any]]] = {
    "Unit.healed_cleft_below_percent": lambda value: {"failed_cleft_from_percent": 100},
    "Unit.failed_cleft_from_percent": lambda value: {"healed_cleft_below_percent": min(value, 1)},
    "Tear.rim_width_mm": lambda value: {"rim_zone": 1 if value < 3 else 2 if value < 5 else 3},
    "Tear.root_distance_mm": lambda value: {"root_type": "2A" if value < 3 else "2B" if value < 6 else "2C"},
    "Repair.prp_blood_ml": lambda value: {"augmentation": "prp"},
    "Patient.research_permission": lambda value: {"research_permission_on": date(2024, 1, 1)},
    "Rehabilitation.flexion_limit_deg": lambda value: {"flexion_limit_weeks": 4},
    "Rehabilitation.flexion_limit_weeks": lambda value: {"flexion_limit_deg": 90},
}


def written(row: Kept, path: str, value: Any) -> None:
    name = path.split(".")[1]
    together = TOGETHER.get(path, lambda _: {})(value)
    with transaction.atomic():
        factories.corrected_in_database(row, **{name: value}, **together)


@pytest.mark.parametrize("path", _ranged())
def test_the_database_takes_a_value_at_its_limit_and_refuses_the_next(path: str, cast: Cast) -> None:
    row = one_of_each(cast)[path.split(".")[0]]
    (low, high), step = _limits(path), _step(path)
    for value in (low, high):
        written(row, path, value)
    for value in (low - step, high + step):
        with pytest.raises(IntegrityError):
            written(row, path, value)


@pytest.mark.parametrize("path", _ranged())
def test_the_words_of_a_limit_name_value_and_range(path: str) -> None:
    (low, high), step = _limits(path), _step(path)
    for value in (low - step, high + step):
        with pytest.raises(ValidationError) as refusal:
            field_of(path).run_validators(value)
        assert f"{low:g} to {high:g}" in refusal.value.messages[0]
        assert str(value) in refusal.value.messages[0]


def _coded() -> list[str]:
    return [
        f"{model.__name__}.{field.name}"
        for model in kept_models()
        for field in model._meta.concrete_fields
        if field.choices
    ]


@pytest.mark.parametrize("path", _coded())
def test_the_database_refuses_a_code_that_is_none(path: str, cast: Cast) -> None:
    row, field = one_of_each(cast)[path.split(".")[0]], field_of(path)
    unknown: Any = 99 if isinstance(field, models.IntegerField) else "zz"[: field.max_length or 2]
    with pytest.raises(IntegrityError, match=r"_code|CHECK"):
        written(row, path, unknown)
