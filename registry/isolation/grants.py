"""What the application's role may do with each table, derived from the models: a new one has to be told here.

The record is never deleted from, and what is a log or a ledger is only added to. An erasure that a patient
asked for does both; for its transaction alone it takes up a role of its own (see `erasing.py`).
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

from django.apps import apps
from django.db.models import Model

from registry.isolation.rules import NoRuleError
from registry.models import Kept

READ, ADD, CHANGE, DELETE = "SELECT", "INSERT", "UPDATE", "DELETE"
_READ_ONLY = (READ,)
_ADD_ONLY = (READ, ADD)
_NEVER_DELETED = (READ, ADD, CHANGE)
_WORKING_DATA = (READ, ADD, CHANGE, DELETE)

VERBS: dict[str, tuple[str, ...]] = {
    # Units are made by whoever runs the server.
    "registry.Unit": (READ, CHANGE),
    "registry.Surgeon_units": (READ, ADD, DELETE),
    "registry.User": _NEVER_DELETED,
    "registry.User_groups": _READ_ONLY,
    "registry.User_user_permissions": _READ_ONLY,
    "registry.Correction": _ADD_ONLY,
    "registry.IdentityView": _ADD_ONLY,
    "registry.LotLookUp": _ADD_ONLY,
    "registry.Opening": _ADD_ONLY,
    "registry.AccountEvent": _ADD_ONLY,
    "registry.Erasure": _ADD_ONLY,
    # Counted by triggers, which run as the owner.
    "registry.DataVersion": _READ_ONLY,
    "registry.Wording": _READ_ONLY,
    "registry.AccessKey": _NEVER_DELETED,
    "registry.Invitation": _NEVER_DELETED,
    "registry.PatientLink": _NEVER_DELETED,
    "registry.Message": _NEVER_DELETED,
    "registry.IntakeMemory": _NEVER_DELETED,
    "registry.IntakeRow": _ADD_ONLY,
    "registry.Intake": _WORKING_DATA,
    "registry.Membership": _WORKING_DATA,
    "registry.Draft": _WORKING_DATA,
    "registry.Creation": _WORKING_DATA,
    "registry.KnockCount": _WORKING_DATA,
    "registry.BrowserSession": _WORKING_DATA,
    "registry.SecondFactor": _WORKING_DATA,
    "registry.RecoveryCode": _WORKING_DATA,
    "outcomes.Briefing": _ADD_ONLY,
    "outcomes.LedgerEntry": _ADD_ONLY,
    # A cohort that its maker drops takes its versions along; none is ever changed.
    "outcomes.CohortVersion": (READ, ADD, DELETE),
    "outcomes.NamedCohort": _WORKING_DATA,
    "outcomes.OwnDefinition": _NEVER_DELETED,
    "outcomes.ReleaseJob": _WORKING_DATA,
}
# Tables of libraries, by app.
OF_APPS: dict[str, tuple[str, ...]] = {
    "auth": _READ_ONLY,
    "contenttypes": _READ_ONLY,
    "sessions": _WORKING_DATA,
    "axes": _WORKING_DATA,
}
# Columns that may be changed of a table that is else only added to.
COLUMNS: dict[str, tuple[str, ...]] = {"registry.Erasure": ("rows", "in_hand")}
# What an erasure takes rows out of beside the record itself, and where it blanks what was typed.
_ERASED = (
    "Correction",
    "Opening",
    "IdentityView",
    "PatientLink",
    "Message",
    "IntakeRow",
    "Creation",
    "Draft",
)
_BLANKED = ("Correction", "IdentityView")


@dataclass(frozen=True, slots=True)
class Grant:
    """What a role may do with one table; `columns` are the only ones it may change, beside its verbs."""

    table: str
    verbs: tuple[str, ...]
    columns: tuple[str, ...] = field(default=())

    def statements(self, role: str) -> Iterator[str]:
        yield f'GRANT {", ".join(self.verbs)} ON {self.table} TO "{role}"'
        if self.columns:
            yield f'GRANT UPDATE ({", ".join(self.columns)}) ON {self.table} TO "{role}"'


def grants() -> list[Grant]:
    """What the application's role may do, table by table.

    Raises
    ------
    NoRuleError
        A model of which nobody said what may be done with it.
    """
    told = [_of(model) for model in apps.get_models(include_auto_created=True)]
    # Which migrations are applied is looked at when the site says whether it is ready.
    return [*told, Grant("django_migrations", _READ_ONLY)]


def grants_of_erasing() -> list[Grant]:
    """What the role of an erasure may do: the same, and take out or blank what a patient wants gone."""
    wider = {
        model._meta.db_table: _of_erasing(model) for model in apps.get_app_config("registry").get_models()
    }
    return [Grant(each.table, wider.get(each.table) or each.verbs, each.columns) for each in grants()]


def _of(model: type[Model]) -> Grant:
    label, app = model._meta.label, model._meta.app_label
    verbs = VERBS.get(label) or OF_APPS.get(app) or (_NEVER_DELETED if issubclass(model, Kept) else None)
    if verbs is None:
        raise NoRuleError(
            f"{label} has no rule of what the application may do with it: say so in {__name__}."
        )
    return Grant(model._meta.db_table, verbs, COLUMNS.get(label, ()))


def _of_erasing(model: type[Model]) -> tuple[str, ...]:
    verbs = set(_of(model).verbs)
    if issubclass(model, Kept) or model.__name__ in _ERASED:
        verbs.add(DELETE)
    if model.__name__ in _BLANKED:
        verbs.add(CHANGE)
    return tuple(verb for verb in _WORKING_DATA if verb in verbs)
