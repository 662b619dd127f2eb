"""Rules within one row, and of what may be there once: each refused by the database alone, at its edge."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.db import IntegrityError, models, transaction

from registry.models import Kept
from registry.models.history_rules import kept_models
from registry.models.limits import FieldCheck
from tests import factories
from tests.conftest import Cast
from tests.registry.one_of_each import one_of_each

Values = dict[str, Any]
# Stands for the reoperation among the rows.
REOPERATION = "the reoperation"

# Each rule with values that it just refuses, and the same that it just lets pass.
EDGES: dict[str, tuple[str, Values, Values]] = {
    "unit_cleft_limits_in_order": (
        "Unit",
        {"healed_cleft_below_percent": 51},
        {"healed_cleft_below_percent": 50},
    ),
    "patient_died_after_birth": ("Patient", {"born_on": date(2024, 3, 1), "died_on": date(2024, 2, 29)}, {}),
    "patient_permission_dated": (
        "Patient",
        {"research_permission": "given"},
        {"research_permission": "given", "research_permission_on": date(2024, 3, 1)},
    ),
    "procedure_injured_before_operation": (
        "IndexProcedure",
        {"injured_on": factories.OPERATED_ON + timedelta(days=1)},
        {"injured_on": factories.OPERATED_ON},
    ),
    "procedure_injury_date_or_unknown": (
        "IndexProcedure",
        {"injured_on": None},
        {"injured_on": None, "injury_date_precision": "unknown"},
    ),
    "procedure_graft_only_with_reconstruction": (
        "IndexProcedure",
        {"acl": "left"},
        {"acl": "left", "graft": ""},
    ),
    "procedure_signed_by_somebody": ("IndexProcedure", {"signed_at": "2024-03-01T12:00:00Z"}, {}),
    "procedure_plan_only_when_staged": (
        "IndexProcedure",
        {"ligament_planned_on": date(2024, 6, 1)},
        {"ligament_planned_on": date(2024, 6, 1), "staging": "repair_first"},
    ),
    "rehabilitation_flexion_whole": (
        "Rehabilitation",
        {"flexion_limit_deg": 90},
        {"flexion_limit_deg": 90, "flexion_limit_weeks": 4},
    ),
    "implant_lot_or_serial": ("Implant", {"lot": ""}, {"lot": "", "serial": "7"}),
    "tear_ramp_is_medial": (
        "Tear",
        {"pattern": "ramp", "root_type": "", "meniscus": "lateral"},
        {"pattern": "ramp", "root_type": "", "meniscus": "medial"},
    ),
    "tear_root_type_only_with_pattern": (
        "Tear",
        {"pattern": "radial"},
        {"pattern": "radial", "root_type": ""},
    ),
    "tear_ramp_type_only_with_pattern": ("Tear", {"ramp_type": "1"}, {"ramp_type": ""}),
    "tear_hiatus_is_lateral": (
        "Tear",
        {"before_popliteal_hiatus": True},
        {"before_popliteal_hiatus": True, "meniscus": "lateral"},
    ),
    "repair_has_technique": ("Repair", {"all_inside": False}, {"all_inside": False, "pull_out": True}),
    "repair_blood_only_for_prp": (
        "Repair",
        {"prp_blood_ml": 30},
        {"prp_blood_ml": 30, "augmentation": "prp"},
    ),
    "complication_resolved_after_noticed": (
        "Complication",
        {"resolved_on": factories.OPERATED_ON + timedelta(days=99)},
        {"resolved_on": factories.OPERATED_ON + timedelta(days=100)},
    ),
    "end_lost_after_attempts": ("EndOfFollowUp", {"attempts": None}, {"attempts": 1}),
    "report_of_none_is_not_verified": (
        "PatientReport",
        {"operated_again": "no", "no_reoperation_because": "a clinic visit"},
        {"operated_again": "no", "no_reoperation_because": ""},
    ),
    "report_verified_one_way": (
        "PatientReport",
        {"reoperation": REOPERATION, "no_reoperation_because": "a clinic visit"},
        {"reoperation": REOPERATION},
    ),
    "softanswer_not_empty": ("SoftAnswer", {"answer": ""}, {"answer": "-"}),
    "softanswer_of_one_entry": ("SoftAnswer", {"procedure": None}, {}),
}
# ISAKOS rim width, Anderson et al. AJSM 2011;39:926-32: zone 1 under 3 mm, 2 from 3 to under 5, 3 from 5.
RIM = [("2.9", 1), ("3", 2), ("4.9", 2), ("5", 3)]
# LaPrade et al. AJSM 2015;43:363-9: 2A under 3 mm from the root, 2B from 3 to under 6, 2C from 6 to 9.
ROOT = [("0", "2A"), ("2.9", "2A"), ("3", "2B"), ("5.9", "2B"), ("6", "2C"), ("9", "2C")]
TRIED_BELOW = {
    "tear_rim_width_agrees_with_zone",
    "tear_root_distance_agrees_with_type",
    "tear_revises_another",
}


def write(row: Kept, values: Values) -> None:
    with transaction.atomic():
        factories.corrected_in_database(row, **values)


@pytest.mark.parametrize("rule", EDGES)
def test_the_database_holds_the_rule(rule: str, cast: Cast) -> None:
    model, refused, passed = EDGES[rule]
    rows = one_of_each(cast)
    row = rows[model]
    refused, passed = (
        {name: rows["Reoperation"] if value == REOPERATION else value for name, value in values.items()}
        for values in (refused, passed)
    )
    # SQLite names the rule, PostgreSQL the first of those broken in the order of their names.
    with pytest.raises(IntegrityError, match=rf"{rule}|violates check constraint"):
        write(row, refused)
    if passed:
        write(row, passed)


@pytest.mark.parametrize(("width", "zone"), RIM)
def test_a_rim_width_goes_with_its_zone_alone(width: str, zone: int, cast: Cast) -> None:
    tear = one_of_each(cast)["Tear"]
    write(tear, {"rim_width_mm": width, "rim_zone": zone})
    for other in {1, 2, 3} - {zone}:
        with pytest.raises(IntegrityError, match="tear_rim_width_agrees_with_zone"):
            write(tear, {"rim_zone": other})


@pytest.mark.parametrize(("distance", "kind"), ROOT)
def test_a_distance_from_the_root_goes_with_its_type_alone(distance: str, kind: str, cast: Cast) -> None:
    tear = one_of_each(cast)["Tear"]
    write(tear, {"root_distance_mm": distance, "root_type": kind})
    for other in {"1", "2A", "2B", "2C", "3", "4", "5", ""} - {kind}:
        with pytest.raises(IntegrityError, match="tear_root_distance_agrees_with_type"):
            write(tear, {"root_type": other})


def test_a_tear_is_not_its_own_return(cast: Cast) -> None:
    with pytest.raises(IntegrityError):
        write(cast.repair.tear, {"revises": cast.repair.tear})


# --- what may be there once ----------------------------------------------------------------------

ONCE = [
    constraint.name
    for model in kept_models()
    for constraint in model._meta.constraints
    if isinstance(constraint, models.UniqueConstraint)
]


@pytest.mark.parametrize("rule", ONCE)
def test_a_second_of_the_same_is_refused_until_the_first_is_withdrawn(rule: str, cast: Cast) -> None:
    rows = one_of_each(cast)
    (model,) = (each for each in kept_models() if rule in {made.name for made in each._meta.constraints})
    first = rows[model.__name__]
    if model.__name__ == "Identity":
        patient = factories.a_knee(cast.unit).patient
        again = model.sealed(patient, hospital_number="N-1")
    else:
        again = model(**{name: value for name, value in _copied(first).items()})
    with pytest.raises(IntegrityError, match=rf"{rule}|UNIQUE"), transaction.atomic():
        model.ever.bulk_create([again])
    # An operation that was followed stays; test_recording.py tries one that was not.
    if model.__name__ != "IndexProcedure":
        factories.withdrawn(first)
        model.ever.bulk_create([again])


def _copied(row: Kept) -> Values:
    left_out = {"id", "uuid", "version", "withdrawn_at"}
    return {
        each.attname: getattr(row, each.attname)
        for each in row._meta.concrete_fields
        if each.name not in left_out
    }


def test_every_rule_of_a_row_is_tried() -> None:
    ruled = {
        constraint.name
        for model in kept_models()
        for constraint in model._meta.constraints
        if isinstance(constraint, models.CheckConstraint) and not isinstance(constraint, FieldCheck)
    }
    assert ruled == EDGES.keys() | TRIED_BELOW
