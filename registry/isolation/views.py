# ruff: noqa: S608 - every name in this SQL is a table or column of the models
"""Which rows show, by key: views of the owner, which look past the policies of the tables beneath.

A policy that asked other tables would cost what it asks in each place where a query names its table, and the
main count names a hundred. So what shows of a table that others are part of is written down once as a string
of bits, one a key, and a policy looks at one bit a row. The string is kept in the session for as long as the
data version and the scope are the same; see `SHOWN` in `policies.py`.
"""

from collections.abc import Iterator
from typing import Any

from django.apps import apps
from django.db.models import Model

from registry.models import IndexProcedure, Kept, Patient

# Worked out once a statement, however many rows it looks at.
UNITS = "(SELECT rimward_units())::bigint[]"
CODES = f"to_jsonb((SELECT array_agg(u.code::text) FROM registry_unit u WHERE u.id = ANY ({UNITS})))"
OF_LEDGER = "coalesce(content::jsonb -> 'asked' -> 'units', content::jsonb -> 'units', '[]'::jsonb)"

OUR_APPS = ("registry", "outcomes")
# What a row that is no row of the record is part of.
WHOLES: dict[str, tuple[str, ...]] = {
    "registry.Opening": ("patient",),
    "registry.IdentityView": ("patient",),
    "registry.PatientLink": ("knee",),
    "registry.Message": ("link",),
    "registry.IntakeRow": ("intake",),
    "outcomes.CohortVersion": ("cohort",),
}


def of_patient(patient: str) -> str:
    """Whether a patient shows: one of a unit in scope, or one that such a unit operated on."""
    return f"{patient}.unit_id = ANY ({UNITS}) OR {patient}.id IN (SELECT s.id FROM rimward_shared s)"


def of_operation(operation: str) -> str:
    """Whether an operation shows: one of a unit in scope, else by its patient."""
    return (
        f"{operation}.unit_id = ANY ({UNITS}) OR {operation}.knee_id IN (SELECT k.id FROM registry_knee k "
        f"JOIN registry_patient a ON a.id = k.patient_id WHERE {of_patient('a')})"
    )


def shows(view: str, key: str) -> str:
    """Whether a row is among those of a view, which depends on record and scope alone; no other key is.

    The planner takes "= 1" of what it knows nothing of for one row in two hundred, "<> 0" for all but those.
    """
    return f"(substring((SELECT rimward_shown('{view}')), {key}::int, 1) = B'1')::int <> 0"


def wholes_of(model: type[Model]) -> tuple[str, ...]:
    """Names of the foreign keys to what a row is part of."""
    return model.PART_OF if issubclass(model, Kept) else WHOLES.get(model._meta.label, ())


def whole_of(model: type[Model]) -> Any:
    """The first of these keys; None where a row is part of nothing."""
    names = wholes_of(model)
    return model._meta.get_field(names[0]) if names else None


def is_of_a_patient(model: type[Model]) -> bool:
    """Whether a row is, part by part, a patient's."""
    key = whole_of(model)
    return model is Patient or bool(key and is_of_a_patient(key.related_model))


def name_of(model: type[Model]) -> str:
    """The view that says which rows of a table show."""
    return f"rimward_of_{model._meta.model_name}"


def views() -> dict[str, str]:
    """Every view by name, each after those that it asks."""
    return _TOLD | {name_of(model): _joined(model) for model in asked_about()}


def asked_about() -> list[type[Model]]:
    """The tables of the record that other rows are part of, beginning with the patients."""
    return [model for model in dict.fromkeys(_wholes()) if is_kept_of_a_patient(model)]


def is_kept_of_a_patient(model: type[Model]) -> bool:
    """Whether its writes are counted by the data version, and its rows are a patient's."""
    return issubclass(model, Kept) and is_of_a_patient(model)


def _wholes() -> Iterator[type[Model]]:
    yield Patient
    for app in OUR_APPS:
        for model in apps.get_app_config(app).get_models():
            for name in wholes_of(model):
                yield model._meta.get_field(name).related_model  # type: ignore[misc]  # the key of a whole


def _joined(model: type[Model]) -> str:
    """A row with all that it is part of, up to the operation or the patient, which say whether it shows."""
    tables, at = f"{model._meta.db_table} t0", 0
    while model not in (Patient, IndexProcedure):
        key = whole_of(model)
        model = key.related_model
        tables += f" JOIN {model._meta.db_table} t{at + 1} ON t{at + 1}.id = t{at}.{key.column}"
        at += 1
    rule = of_operation if model is IndexProcedure else of_patient
    return f"SELECT t0.id FROM {tables} WHERE {rule(f't{at}')}"


_TOLD: dict[str, str] = {
    # Patients whom a unit in scope operated on, and whoever's link is open.
    "rimward_shared": f"""
        SELECT k.patient_id AS id FROM registry_indexprocedure p JOIN registry_knee k ON k.id = p.knee_id
        WHERE p.unit_id = ANY ({UNITS})
        UNION ALL
        SELECT k.patient_id FROM registry_patientlink l JOIN registry_knee k ON k.id = l.knee_id
        WHERE l.uuid = nullif((SELECT current_setting('rimward.link', true)), '')::uuid""",
    # Units in scope, those that a patient who shows belongs to or was operated on in, and where somebody is
    # invited.
    "rimward_neighbours": f"""
        SELECT id FROM registry_unit WHERE id = ANY ({UNITS})
        UNION ALL
        SELECT a.unit_id FROM registry_patient a JOIN rimward_shared s ON s.id = a.id
        UNION ALL
        SELECT p.unit_id FROM registry_indexprocedure p WHERE {of_operation("p")}
        UNION ALL
        SELECT unit_id FROM registry_invitation
        WHERE digest = nullif((SELECT current_setting('rimward.invitation', true)), '')""",
    "rimward_places": f"SELECT surgeon_id FROM registry_surgeon_units WHERE unit_id = ANY ({UNITS})",
    # Surgeons who work somewhere: who works nowhere yet shows to whoever puts them in.
    "rimward_placed": "SELECT surgeon_id FROM registry_surgeon_units",
    # Surgeons whom an operation on a patient who shows names, or who read a tear of it.
    "rimward_surgeons": " UNION ALL ".join(
        [
            *(
                f"SELECT p.{role}_id AS id FROM registry_indexprocedure p WHERE {of_operation('p')}"
                for role in ("lead_surgeon", "first_assistant", "repaired_by")
            ),
            "SELECT r.reader_id FROM registry_tearreading r JOIN registry_tear t ON t.id = r.tear_id "
            f"JOIN registry_indexprocedure p ON p.id = t.procedure_id WHERE {of_operation('p')}",
        ]
    ),
    # Releases all of whose units are in scope: what is said of one later shows with it.
    "rimward_ledger": f"SELECT id FROM outcomes_ledgerentry WHERE {OF_LEDGER} <@ {CODES}",
    "rimward_units_known": "SELECT id FROM registry_unit",
}
