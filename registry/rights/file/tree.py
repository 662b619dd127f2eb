"""The rows of a patient as a tree, each under what it is part of; from the models, so that none is missed.

Rows of a knee that the reader may not see are left out, and that is said.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Model, QuerySet
from django.utils.text import capfirst

from registry.isolation.views import wholes_of
from registry.models import (
    Correction,
    Identity,
    IdentityView,
    Kept,
    Knee,
    Opening,
    Patient,
    User,
)
from registry.models.history_rules import kept_models
from registry.pages.differences import named
from registry.rights.belonging import paths, rows_of
from registry.rights.file.words import NOT_TOLD, Fact, answers, facts_of, is_filled, label, value

# Tables whose rows are told as lists of their own.
TOLD_AS_LISTS = (Correction, IdentityView, Opening)

Place = tuple[type[Model], int]


@dataclass(slots=True)
class Part:
    """A row in words, with the rows that are part of it."""

    title: str
    facts: list[Fact]
    parts: list["Part"] = field(default_factory=list)
    withdrawn: bool = False


@dataclass(frozen=True, slots=True)
class ToldCorrection:
    """One correction in words: when, who, what was done to which row, why, and what stood and stands."""

    at: Any
    who: str
    kind: str
    row: str
    reason: str
    lines: list[tuple[str, str, str]]


@dataclass(frozen=True, slots=True)
class Tree:
    """Everything on record of a patient that a reader may see."""

    patient: Part
    corrections: list[ToldCorrection]
    leaves_out: bool


def tree(patient: Patient, knees: QuerySet[Knee]) -> Tree:
    """The patient with all that hangs on them, of these knees alone."""
    seen = set(knees.filter(patient=patient).values_list("pk", flat=True))
    rows = list(_rows(patient, seen))
    parts: dict[Place, Part] = {}
    for row in rows:
        whole = _whole(row)
        parts[type(row), row.pk] = part = _part(row, whole)
        if whole:
            siblings = _place(row, whole, parts).parts
            # Who it is stands before what was done.
            siblings.insert(0 if isinstance(row, Identity) else len(siblings), part)
    others = Knee.ever.filter(patient=patient).exclude(pk__in=seen).exists()
    return Tree(parts[Patient, patient.pk], list(_corrections(rows)), others)


def _rows(patient: Patient, seen: set[int]) -> Iterator[Any]:
    """Every row, each after what it is part of; those of other knees left out."""
    left_out: dict[type[Model], set[int]] = defaultdict(set)
    for model in paths():
        if model in TOLD_AS_LISTS:
            continue
        for row in rows_of(model, patient):
            if (model is Knee and row.pk not in seen) or _is_part_of(row, left_out):
                left_out[model].add(row.pk)
            else:
                yield row


def _is_part_of(row: Any, left_out: dict[type[Model], set[int]]) -> bool:
    return any(
        getattr(row, f"{name}_id") in left_out[type(row)._meta.get_field(name).related_model]
        for name in wholes_of(type(row))
    )


def _whole(row: Any) -> str:
    """The column that says under which row this one is told: the first of those that it is part of."""
    return next((name for name in wholes_of(type(row)) if getattr(row, f"{name}_id") is not None), "")


def _place(row: Any, whole: str, parts: dict[Place, Part]) -> Part:
    model: Any = type(row)._meta.get_field(whole).related_model
    return parts[model, getattr(row, f"{whole}_id")]


def _part(row: Any, whole: str) -> Part:
    withdrawn = isinstance(row, Kept) and not row.stands
    return Part(_title(row), facts_of(row, whole), withdrawn=withdrawn)


def _title(row: Any) -> str:
    kind, name = str(capfirst(row._meta.verbose_name)), str(capfirst(named(row)))
    return name if name.casefold().startswith(kind.casefold()) else f"{kind}: {name}"


def _corrections(rows: Iterable[Any]) -> Iterator[ToldCorrection]:
    """Every correction of these rows, in order."""
    by_place = {(row._meta.db_table, row.pk): row for row in rows}
    models = {model._meta.db_table: model for model in kept_models()}
    keys = defaultdict(set)
    for table, key in by_place:
        keys[table].add(key)
    found = [
        each
        for table in keys.keys() & models.keys()
        for each in Correction.objects.filter(row_table=table, row_id__in=keys[table]).select_related(
            "made_by"
        )
    ]
    for each in sorted(found, key=lambda correction: correction.pk):
        yield _told(each, by_place[each.row_table, each.row_id])


def _told(correction: Correction, row: Any) -> ToldCorrection:
    by: User | None = correction.made_by
    return ToldCorrection(
        at=correction.made_at,
        who=by.shown_name if by else "Nobody signed in",
        kind=correction.get_kind_display(),
        row=_title(row),
        reason=correction.reason,
        lines=list(_lines(correction, row)),
    )


def _lines(correction: Correction, row: Any) -> Iterator[tuple[str, str, str]]:
    for column in row._meta.concrete_fields:
        name = column.attname
        before, after = correction.before.get(name), correction.after.get(name)
        if name == "items" and name in correction.after:
            yield from _answers(row.instrument, before or {}, after or {})
        elif name not in NOT_TOLD and (is_filled(before) or is_filled(after)):
            yield label(column), value(column, before), value(column, after)


def _answers(
    instrument: str, before: dict[str, Any], after: dict[str, Any]
) -> Iterator[tuple[str, str, str]]:
    """The answers of a form that differ since."""
    was, now = dict(answers(instrument, before)), dict(answers(instrument, after))
    for item in was | now:
        if was.get(item) != now.get(item):
            yield item, was.get(item, "Not answered"), now.get(item, "Not answered")
