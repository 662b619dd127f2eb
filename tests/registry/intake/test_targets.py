"""Targets follow the record: whatever a person can enter is a target, or is left out with a reason."""

from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError

from registry.intake.columns.targets import (
    MODELS,
    NEEDED_OF_NEW_OPERATION,
    NEEDED_OF_REPAIR,
    NOT_A_TARGET,
    NOT_BROUGHT,
    NUMBERED_MODELS,
    PARTS,
    TARGETS,
    Kind,
    entered,
    rooted,
)
from registry.models.history_rules import kept_models
from registry.scoring import INSTRUMENTS

pytestmark = pytest.mark.any_engine

BROUGHT = {*MODELS.values(), *NUMBERED_MODELS.values()}


def _paths(model: type) -> set[str]:
    return {f"{model.__name__}.{field.name}" for field in entered(model)}


def test_every_table_of_the_record_is_brought_or_left_out_with_a_reason() -> None:
    tables = {model.__name__ for model in kept_models()}
    brought = {model.__name__ for model in BROUGHT}
    assert brought | set(NOT_BROUGHT) == tables
    assert brought & set(NOT_BROUGHT) == set()


def test_every_field_a_person_enters_is_a_target_or_left_out_with_a_reason() -> None:
    roots = {target.root for target in TARGETS.values()}
    untold = [
        f"{model.__name__}.{field.name}"
        for models in (MODELS, NUMBERED_MODELS)
        for part, model in models.items()
        for field in entered(model)
        if f"{part}.{field.name}" not in roots and f"{model.__name__}.{field.name}" not in NOT_A_TARGET
    ]
    assert untold == []


def test_no_reason_is_given_for_a_field_that_is_none() -> None:
    assert set(NOT_A_TARGET) - {path for model in BROUGHT for path in _paths(model)} == set()


def test_a_target_has_the_limits_unit_and_codes_of_its_field() -> None:
    length = TARGETS["tear2.length_mm"]
    assert (length.label, length.kind, length.unit) == ("Length (mm)", Kind.WHOLE, "mm")
    assert (length.low, length.high) == (Decimal(1), Decimal(60))
    assert TARGETS["operation.bmi"].places == 1
    assert TARGETS["knee.side"].choices == (("left", "Left"), ("right", "Right"))
    assert TARGETS["operation.lead_surgeon"].kind is Kind.SURGEON
    assert TARGETS["tear1.rim_zone"].codes_are_numbers
    assert TARGETS["tear1.place"].codes[:3] == ("medial_anterior", "medial_middle", "medial_posterior")


def test_limits_are_the_validators_own() -> None:
    for target in TARGETS.values():
        for limit, beyond in ((target.low, -1), (target.high, 1)):
            if limit is None or not target.validators:
                continue
            for validator in target.validators:
                validator(limit)
            with pytest.raises(ValidationError):
                [validator(limit + beyond) for validator in target.validators]


def test_every_item_of_every_form_is_a_target_and_its_total_is_refused() -> None:
    for instrument in INSTRUMENTS.values():
        for item in instrument.items:
            target = TARGETS[f"score.{instrument.code}.{item.code}"]
            assert [target.low, target.high] == [min(item.allowed), max(item.allowed)]
            gaps = set(range(min(item.allowed), max(item.allowed) + 1)) - set(item.allowed)
            assert bool(gaps) == bool(target.choices)
        assert TARGETS[f"score.{instrument.code}.total"].kind is Kind.REFUSED


def test_targets_come_in_the_order_of_their_parts() -> None:
    order = [list(PARTS).index(target.part) for target in TARGETS.values()]
    assert order == sorted(order)
    assert all(key == target.key and key.startswith(f"{target.part}.") for key, target in TARGETS.items())


def test_what_is_needed_is_a_target() -> None:
    roots = {target.root for target in TARGETS.values()}
    for needed in (*NEEDED_OF_NEW_OPERATION, *NEEDED_OF_REPAIR):
        assert set(needed) <= roots


def test_a_root_is_a_key_without_the_number_of_its_part() -> None:
    assert rooted("tear2.pattern") == "tear.pattern"
    assert rooted("score.koos12.P1") == "score.koos12.P1"
    assert rooted("look3") == "look"
