"""Which tables an archive holds, in which order, and how their values are told as JSON and read back."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from functools import cache
from graphlib import TopologicalSorter
from typing import Any
from uuid import UUID

from django.db.models import Field, Model, QuerySet

from registry.models import (
    AccessKey,
    AccountEvent,
    BrowserSession,
    Correction,
    Creation,
    DataVersion,
    Draft,
    Erasure,
    Identity,
    IdentityView,
    IndexProcedure,
    Intake,
    IntakeMemory,
    IntakeRow,
    Invitation,
    Knee,
    KnockCount,
    LotLookUp,
    Membership,
    Message,
    Opening,
    PatientLink,
    RecoveryCode,
    SecondFactor,
    Tear,
    User,
    Wording,
)
from registry.models.history_rules import kept_models
from registry.vocabulary import IntakeState

Row = dict[str, Any]
# How columns end whose values are sealed by the keys of whoever holds them.
SEALED = "_sealed"

_ACCESS = "who may come in is no part of the record, and each installation's own"
_WORK = "working data of the installation that wrote it"
_LOG = "a log of the installation that wrote it, and to be kept there"
NOT_IN_IT: dict[type[Model], str] = {
    Membership: _ACCESS,
    AccessKey: _ACCESS,
    Creation: _WORK,
    Invitation: _ACCESS,
    BrowserSession: _ACCESS,
    SecondFactor: _ACCESS,
    RecoveryCode: _ACCESS,
    AccountEvent: _LOG,
    Draft: "half filled in, so not on record yet",
    PatientLink: "a link opens a page of the installation that sent it; what was answered is on record",
    Message: _WORK,
    KnockCount: _WORK,
    IntakeMemory: _WORK,
    Wording: "licensed to the site that loaded it",
    IdentityView: _LOG,
    LotLookUp: _LOG,
    Opening: _LOG,
    Erasure: _LOG,
    DataVersion: "counts the writes to one database",
}
_JOB = "how far the work was, which is over"
COLUMNS_NOT_IN_IT: dict[type[Model], dict[str, str]] = {
    Identity: {"hospital_number_index": "worked out anew by the key of whoever reads"},
    Intake: {
        "file_sealed": "gone since it was taken in",
        **dict.fromkeys(("step", "done", "total", "told", "worker", "beat_at", "cancel_asked"), _JOB),
    },
    User: {
        "email": "not needed to say who recorded something",
        **dict.fromkeys(
            ("password", "last_login", "is_superuser", "is_staff", "is_active", "date_joined"), _ACCESS
        ),
    },
}
_TAKEN_IN = (IntakeState.TAKEN_IN, IntakeState.UNDONE)
# The return of a tear stands after it, as the database asks; which key is larger says nothing.
_ORDER: dict[type[Model], tuple[str, ...]] = {Tear: ("procedure__operated_on",)}
# How values that JSON does not know are told; a decimal keeps the places of its column.
_TOLD: dict[type, Callable[[Any], str]] = {
    date: date.isoformat,
    datetime: datetime.isoformat,
    Decimal: str,
    UUID: str,
}


@dataclass(frozen=True, slots=True)
class Table:
    """One table by its name in the archive, and the columns of it that are told."""

    name: str
    model: type[Model]
    columns: tuple["Field[Any, Any]", ...]

    def all(self) -> QuerySet[Any, Any]:
        """Every row of the table, also those withdrawn."""
        return self.model._base_manager.all()

    def rows(self) -> QuerySet[Any, Any]:
        """The rows that an archive holds, each after those of its own table that it refers to."""
        rows = self.all().order_by(*_ORDER.get(self.model, ()), "pk")
        if self.model is Intake:
            return rows.filter(state__in=_TAKEN_IN)
        if self.model is IntakeRow:
            return rows.filter(intake__state__in=_TAKEN_IN)
        return rows.filter(pk__in=_accounts_named()) if self.model is User else rows

    def told(self, rows: QuerySet[Any, Any], at_once: int) -> Iterator[Row]:
        """Rows as JSON holds them, by column; few are in memory at a time."""
        names = [each.attname for each in self.columns]
        for values in rows.values_list(*names).iterator(chunk_size=at_once):
            yield dict(zip(names, map(_plain, values), strict=True))

    def read(self, told: Mapping[str, Any]) -> Row:
        """The Python values of a row that was told; raises ValidationError where one cannot be."""
        return {each.attname: each.to_python(told[each.attname]) for each in self.columns}


@cache
def tables() -> dict[str, Table]:
    """Every table by name, in the order in which the database takes them.

    Each stands after those that it refers to, and what followed an operation after the operations.
    Corrections stand before all: one without a reason of its own, made before an operation was signed, is
    refused once the signed operation is there.
    """
    between: list[Any] = [
        each.remote_field.through for model in kept_models() for each in model._meta.many_to_many
    ]
    models: list[type[Model]] = [User, *kept_models(), *between, Intake, IntakeRow]
    sorter: TopologicalSorter[type[Model]] = TopologicalSorter()
    for model in models:
        sorter.add(model, *_before(model))
    ordered: list[type[Model]] = [Correction, *sorter.static_order()]
    return {table.name: table for table in map(_table, ordered)}


def _before(model: type[Model]) -> list[type[Model]]:
    """The tables that have to be written before one; a list, since every installation has to agree."""
    fields: Any = model._meta.concrete_fields
    before: list[type[Model]] = [each.related_model for each in fields if each.related_model]
    if Knee in before:
        before.append(IndexProcedure)
    return [each for each in dict.fromkeys(before) if each is not model]


def _table(model: type[Model]) -> Table:
    left_out = COLUMNS_NOT_IN_IT.get(model, {})
    columns = tuple(each for each in model._meta.concrete_fields if each.attname not in left_out)
    return Table(model._meta.db_table.removeprefix("registry_"), model, columns)


def _accounts_named() -> set[int]:
    """Keys of the accounts that a row of the archive names; nobody else's name goes along."""
    named: set[int] = set()
    for table in tables().values():
        columns = [each.attname for each in table.columns if each.related_model is User]
        for column in columns:
            named.update(table.rows().order_by().values_list(column, flat=True).distinct())
    return named - {None}


def _plain(value: Any) -> Any:
    """ISO 8601 for days and moments, text for decimals and keys; all else JSON has itself."""
    tell = _TOLD.get(type(value))
    return tell(value) if tell else value
