# ruff: noqa: S608 - every name in this SQL is a table or column of the models
"""Which rows of a table the session's scope shows, derived from the models as SQL.

A part shows where its whole shows; what belongs to a unit shows to that unit; the rest is told one by one. A
patient shows to the unit whose patient they are and to each unit that operated on them, as registry.access
has it, and so does all that is on record of them.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from django.apps import apps
from django.db.models import Model

from registry.isolation.views import (
    CODES,
    OF_LEDGER,
    OUR_APPS,
    UNITS,
    is_kept_of_a_patient,
    is_of_a_patient,
    name_of,
    shows,
    wholes_of,
)
from registry.models import Correction, Draft, Knee, Patient, Surgeon, Unit
from registry.models.history_rules import kept_models

PERSON = "(SELECT rimward_person())"
HOUSE = "(SELECT current_setting('rimward.house', true)) = 'yes'"

# What is looked up before anybody is known, or tells of no patient and of no unit.
_ACCOUNT = "an account, asked for before anybody is known"
_SITE = "the site's own, the same for every unit"
OPEN: dict[str, str] = {
    "registry.User": _ACCOUNT,
    "registry.AccessKey": _ACCOUNT,
    "registry.BrowserSession": _ACCOUNT,
    "registry.SecondFactor": _ACCOUNT,
    "registry.RecoveryCode": _ACCOUNT,
    "registry.AccountEvent": _ACCOUNT,
    "registry.User_groups": _ACCOUNT,
    "registry.User_user_permissions": _ACCOUNT,
    "registry.KnockCount": "counts how often an address knocked, told by a keyed digest",
    "registry.Wording": _SITE,
    "registry.DataVersion": _SITE,
}


@dataclass(frozen=True, slots=True)
class Rule:
    """`read` says which rows show; `write` which may be put in, changed or taken out."""

    read: str
    write: str


class NoRuleError(LookupError):
    """A model of which nobody said whose its rows are."""


def our_models() -> Iterator[type[Model]]:
    """Every table of both apps, those between two others too."""
    for app in OUR_APPS:
        yield from apps.get_app_config(app).get_models(include_auto_created=True)


def rule_of(model: type[Model]) -> Rule | None:
    """The rule of a table; None where it is open to all.

    Raises
    ------
    NoRuleError
        Nothing is known of this model: say whose its rows are, in this module.
    """
    label = model._meta.label
    if label in OPEN:
        return None
    if label in told():
        return told()[label]
    wholes = wholes_of(model)
    if wholes and Unit not in (_field(model, name).related_model for name in wholes):
        return _of_part(model, wholes)
    if any(each.name == "unit" for each in model._meta.concrete_fields):
        return _same(_in_scope("unit_id"))
    raise NoRuleError(f"{label} has no rule of isolation: say in {__name__} whose its rows are.")


def _same(rule: str) -> Rule:
    return Rule(rule, rule)


def _in_scope(column: str) -> str:
    return f"{column} = ANY ({UNITS})"


def _shows(model: type[Model], key: str) -> str:
    """Whether the row of another table shows: one of the record by its bit, any other by its own rule."""
    if is_kept_of_a_patient(model):
        return shows(name_of(model), key)
    return f"EXISTS (SELECT 1 FROM {model._meta.db_table} w WHERE w.id = {key})"


def _field(model: type[Model], name: str) -> Any:
    return model._meta.get_field(name)


def _of_part(model: type[Model], wholes: tuple[str, ...]) -> Rule:
    """It shows where the first of its wholes does, and is written where all do."""
    fields = [_field(model, name) for name in wholes]
    table = model._meta.db_table
    shown = {each: _shows(each.related_model, f"{table}.{each.column}") for each in fields}
    if any(each.null for each in fields):
        # Of one of several: those that it is not part of are empty.
        written = " AND ".join(f"({each.column} IS NULL OR {said})" for each, said in shown.items())
        some = f"num_nonnulls({', '.join(each.column for each in fields)}) > 0"
        return _same(f"{some} AND {written}")
    return Rule(shown[fields[0]], " AND ".join(shown.values()))


def _of_corrections() -> Rule:
    """A patient's correction shows as the patient does; any other as the row that was corrected."""
    table = Correction._meta.db_table
    others = " OR ".join(
        f"(row_table = '{model._meta.db_table}' AND {_shows(model, f'{table}.row_id')})"
        for model in kept_models()
        if not is_of_a_patient(model)
    )
    patient = _shows(Patient, f"{table}.patient_id")
    return _same(f"CASE WHEN patient_id IS NULL THEN {others} ELSE {patient} END")


@cache
def told() -> dict[str, Rule]:
    surgeon_here = "EXISTS (SELECT 1 FROM rimward_places p WHERE p.surgeon_id = registry_surgeon.id)"
    surgeon_nowhere = (
        f"cardinality({UNITS}) > 0 AND NOT EXISTS "
        "(SELECT 1 FROM rimward_placed p WHERE p.surgeon_id = registry_surgeon.id)"
    )
    surgeon_named = shows("rimward_surgeons", "registry_surgeon.id")
    mine, unit = f"user_id = {PERSON}", _in_scope("unit_id")
    colleague = (
        f"EXISTS (SELECT 1 FROM registry_membership m WHERE m.user_id = registry_lotlookup.user_id "
        f"AND {_in_scope('m.unit_id')})"
    )
    knee = _shows(Knee, "registry_indexprocedure.knee_id")
    invited = "digest = nullif((SELECT current_setting('rimward.invitation', true)), '')"
    later = "EXISTS (SELECT 1 FROM rimward_ledger o WHERE o.id = outcomes_ledgerentry.of_id)"
    own = f"{OF_LEDGER} <@ {CODES}"
    return {
        "registry.Unit": Rule(shows("rimward_neighbours", "registry_unit.id"), _in_scope("id")),
        "registry.Surgeon": Rule(
            f"{surgeon_named} OR {mine} OR {surgeon_here} OR ({surgeon_nowhere})",
            f"{surgeon_here} OR ({surgeon_nowhere})",
        ),
        "registry.Surgeon_units": Rule(_shows(Surgeon, "registry_surgeon_units.surgeon_id"), unit),
        "registry.Patient": _same(f"{unit} OR {_shows(Patient, 'registry_patient.id')}"),
        "registry.IndexProcedure": Rule(f"{unit} OR {knee}", f"{unit} AND {knee}"),
        "registry.Correction": _of_corrections(),
        "registry.Membership": Rule(f"{unit} OR {mine}", unit),
        "registry.Invitation": _same(f"{unit} OR {invited}"),
        "registry.LotLookUp": Rule(f"{mine} OR {colleague} OR {HOUSE}", mine),
        "registry.Creation": _same(f"{mine} OR {HOUSE}"),
        "registry.Draft": _same(f"{mine} OR {HOUSE} OR ({PERSON} IS NOT NULL AND {_is_past_keeping()})"),
        "outcomes.NamedCohort": Rule(
            f"made_by_id = {PERSON} OR {_in_scope('shared_with_id')} OR {HOUSE}", f"made_by_id = {PERSON}"
        ),
        "outcomes.ReleaseJob": _same(f"asked -> 'units' <@ {CODES}"),
        "outcomes.LedgerEntry": _same(f"{HOUSE} OR CASE WHEN of_id IS NULL THEN {own} ELSE {later} END"),
    }


def _is_past_keeping() -> str:
    """A draft is its writer's alone until it is so old that whoever keeps the next one deletes it."""
    return f"saved_at < now() - interval '{Draft.KEPT_FOR.total_seconds():.0f} seconds'"
