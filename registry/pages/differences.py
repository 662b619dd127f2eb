"""Corrections told in words: which row changed, who changed it and why, and what reads differently since.

However many corrections are told, the queries are one for each table they touch.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from functools import singledispatch
from typing import Any
from uuid import UUID

from django.db import models
from django.utils.formats import date_format
from django.utils.text import capfirst
from django.utils.timezone import localtime

from registry.access import Person, own_units, surgeons_of
from registry.models import (
    Correction,
    EndOfFollowUp,
    Identity,
    IndexProcedure,
    Kept,
    Knee,
    Membership,
    Patient,
    ScoreResponse,
    Surgeon,
    SuturePass,
)
from registry.models.followup import KneeEvent, TearFinding
from registry.models.history_rules import kept_models
from registry.scoring import INSTRUMENTS
from registry.sealing import is_sealed
from registry.vocabulary import CorrectionKind

NOTHING = "Nothing recorded"
SEALED = "Sealed"
NOBODY = "Nobody signed in"
FROM_ELSEWHERE = "A colleague of another unit"
# Told as the kind of the change, or of no interest to who reads it.
_UNTOLD = {
    "uuid",
    "recorded_at",
    "recorded_by_id",
    "signed_at",
    "signed_by_id",
    "withdrawn_at",
    "hospital_number_index",
    # Worked out from the answers, which are told.
    "scale_values",
}


@dataclass(frozen=True, slots=True)
class Line:
    """One field before and after; nothing stood before in a row added later."""

    label: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Change:
    """One row changed once, in words."""

    act: UUID
    kind: CorrectionKind
    who: str
    at: datetime
    reason: str
    row: str
    lines: list[Line]


def told(corrections: Iterable[Correction], reader: Person) -> list[Change]:
    """Corrections in the order given. People of the reader's units go by name, surgeons elsewhere by code."""
    listed = list(corrections)
    words = _Words(listed, reader)
    return [words.change(correction) for correction in listed]


@singledispatch
def named(row: models.Model) -> str:
    """A row of the record as a sentence mentions it."""
    return str(row)


@named.register
def _(row: Patient) -> str:
    return "patient"


@named.register
def _(row: Identity) -> str:
    return "identity"


@named.register
def _(row: Knee) -> str:
    return f"{row.get_side_display().lower()} knee"


@named.register
def _(row: IndexProcedure) -> str:
    return f"operation of {date_format(row.operated_on)}"


@named.register
def _(row: KneeEvent) -> str:
    return f"{row._meta.verbose_name} of {date_format(getattr(row, row.DATE_FIELD))}"


@named.register
def _(row: ScoreResponse) -> str:
    return f"{INSTRUMENTS[row.instrument].name} of {date_format(row.answered_on)}"


@named.register
def _(row: EndOfFollowUp) -> str:
    return f"end of follow-up on {date_format(row.ended_on)}"


@named.register
def _(row: TearFinding) -> str:
    return f"{row.tear} ({named(getattr(row, row.EVENT_FIELD))})"  # type: ignore[attr-defined]


@named.register
def _(row: SuturePass) -> str:
    return f"{row} in the {row.repair}"


def shown(field: Any, value: Any) -> str:
    """A plain value of a column as a page shows it; references are left to the caller."""
    value = field.to_python(value)
    if value is None or value == "":
        return NOTHING
    if field.flatchoices:
        return str(dict(field.flatchoices).get(value, value))
    match value:
        case bool():
            return "Yes" if value else "No"
        case datetime():
            return date_format(localtime(value), "DATETIME_FORMAT")
        case date():
            return date_format(value)
        case Decimal():
            return f"{value.normalize():f}"
        case float():
            return f"{value:g}"
    return ", ".join(value) if isinstance(value, list) else str(value)


def label_of(field: Any) -> str:
    return str(capfirst(field.verbose_name))


class _Words:
    """Everything that a batch of corrections refers to, fetched once."""

    def __init__(self, corrections: list[Correction], reader: Person) -> None:
        self._models = {model._meta.db_table: model for model in kept_models()}
        self._rows = {table: self._rows_of(table, ids) for table, ids in _ids(corrections).items()}
        self._referred = _fetched(self._references(corrections))
        self._own_units = own_units(reader)
        self._by_name = set(surgeons_of(self._own_units).values_list("pk", flat=True))
        self._colleagues = self._people(corrections)

    def change(self, correction: Correction) -> Change:
        row = self._rows[correction.row_table][correction.row_id]
        return Change(
            act=correction.act,
            kind=CorrectionKind(correction.kind),
            who=self._who(correction),
            at=correction.made_at,
            reason=correction.reason,
            row=str(capfirst(named(row))),
            lines=list(self._lines(correction, row)),
        )

    def _lines(self, correction: Correction, row: Kept) -> Iterator[Line]:
        added = correction.kind == CorrectionKind.ADDED
        for field in row._meta.concrete_fields:
            name = field.attname
            if name in _UNTOLD or name not in correction.after:
                continue
            before, after = correction.before.get(name), correction.after[name]
            if added and (after in (None, "", False) or field.name in row.PART_OF):
                continue
            if isinstance(row, ScoreResponse) and name == "items":
                yield from _answers(row, before or {}, after or {})
            else:
                yield Line(
                    _label(field), "" if added else self._shown(field, before), self._shown(field, after)
                )

    def _shown(self, field: Any, value: Any) -> str:
        if value and is_sealed(field.attname):
            return SEALED
        if value is None or not isinstance(field, models.ForeignKey):
            return shown(field, value)
        return self._referred_to(self._referred[field.related_model][value])

    def _referred_to(self, row: models.Model) -> str:
        if isinstance(row, Surgeon):
            return row.name if row.pk in self._by_name else row.code
        return str(capfirst(named(row)))

    def _who(self, correction: Correction) -> str:
        return self._colleagues.get(correction.made_by_id, FROM_ELSEWHERE)

    def _people(self, corrections: list[Correction]) -> dict[int | None, str]:
        """Who made the corrections: by name where they share a unit with the reader, else by code."""
        makers = {correction.made_by_id for correction in corrections}
        own = Membership.objects.filter(unit__in=self._own_units, user__in=makers).select_related("user")
        coded = Surgeon.objects.filter(user__in=makers).values_list("user", "code")
        return {
            None: NOBODY,
            **{user: f"Surgeon {code}" for user, code in coded if user},
            **{each.user_id: each.user.shown_name for each in own},
        }

    def _rows_of(self, table: str, ids: set[int]) -> dict[int, Kept]:
        model = self._models[table]
        found: dict[int, Kept] = model.ever.select_related(*_wholes(model)).in_bulk(ids)
        return found

    def _references(self, corrections: list[Correction]) -> Iterator[tuple[type[models.Model], int]]:
        for correction in corrections:
            for field in self._models[correction.row_table]._meta.concrete_fields:
                if isinstance(field, models.ForeignKey) and field.attname not in _UNTOLD:
                    for values in (correction.before, correction.after):
                        if values.get(field.attname) is not None:
                            yield field.related_model, values[field.attname]


def _ids(corrections: list[Correction]) -> dict[str, set[int]]:
    ids: dict[str, set[int]] = defaultdict(set)
    for correction in corrections:
        ids[correction.row_table].add(correction.row_id)
    return ids


def _fetched(
    references: Iterable[tuple[type[models.Model], int]],
) -> dict[type[models.Model], dict[int, models.Model]]:
    ids: dict[type[models.Model], set[int]] = defaultdict(set)
    for model, key in references:
        ids[model].add(key)
    return {model: model._base_manager.in_bulk(keys) for model, keys in ids.items()}


def _wholes(model: type[Kept]) -> list[str]:
    """Paths to every row that a row is part of, up to its entry, for select_related."""
    paths = []
    for name in model.PART_OF:
        whole: Any = model._meta.get_field(name).related_model
        paths += [name, *(f"{name}__{path}" for path in _wholes(whole))]
    return paths


def _label(field: Any) -> str:
    return label_of(field).removesuffix(" sealed")


def _answers(score: ScoreResponse, before: dict[str, int], after: dict[str, int]) -> Iterator[Line]:
    """The items of a form that are answered differently, each on its line."""
    for item in INSTRUMENTS[score.instrument].items:
        was, now = before.get(item.code), after.get(item.code)
        if was != now:
            yield Line(item.label, *("Not answered" if value is None else str(value) for value in (was, now)))
