"""Values of columns in the words of the patient's file: sealed ones opened, codes as their labels."""

import json
from collections.abc import Iterator, Mapping
from typing import Any

from django.db import models
from django.utils.text import capfirst

from registry import sealing
from registry.models import PatientLink, ScoreResponse, Surgeon, User
from registry.pages.differences import label_of, named, shown
from registry.scoring import INSTRUMENTS

Fact = tuple[str, str]

# Columns that are not told, wherever they stand, with the reason.
_KEY = "an internal key, which tells nothing of the patient"
NOT_TOLD: dict[str, str] = {
    "id": _KEY,
    "uuid": _KEY,
    "day": "told with the moment of the first opening that day",
    "version": "counts the corrections, each of which is told",
    "claimed_by": "which process of the server sent a letter",
    "hospital_number_index": "a keyed digest of the hospital number, which is told",
    "answers_sealed": "told answer by answer",
    "items": "told answer by answer",
    "scale_values": "told scale by scale",
    "entry_table": _KEY,
    "entry_id": _KEY,
    "row_table": _KEY,
    "row_id": _KEY,
    "act": _KEY,
    "before": "told field by field",
    "after": "told field by field",
}


def facts_of(row: models.Model, whole: str = "") -> list[Fact]:
    """Label and value of every filled column of a row; `whole` is the column that says what it is part of."""
    told = [
        (label(each), value(each, each.value_from_object(row)))
        for each in row._meta.concrete_fields
        if each.attname not in NOT_TOLD and each.name != whole and is_filled(each.value_from_object(row))
    ]
    if isinstance(row, ScoreResponse):
        told += [*answers(row.instrument, row.items), *_scales(row)]
    if isinstance(row, PatientLink) and row.answers_sealed:
        told += half_answered(json.loads(sealing.unseal(row.answers_sealed)))
    return told


def is_filled(kept: Any) -> bool:
    """Whether anything stands in a column; "no" and 0 are something."""
    return kept not in (None, "", [], {})


def label(column: Any) -> str:
    return label_of(column).removesuffix(" sealed")


def value(column: Any, kept: Any) -> str:
    """A value as it stands in a row or in a correction."""
    if not is_filled(kept):
        return "Nothing recorded"
    if sealing.is_sealed(column.attname):
        return sealing.unseal(kept)
    if isinstance(column, models.ForeignKey):
        return _referred_to(column.related_model._base_manager.filter(pk=kept).first())
    if column.attname == "instruments":
        return ", ".join(_instrument(code) for code in kept)
    return _instrument(kept) if column.attname == "instrument" else shown(column, kept)


def answers(code: str, items: Mapping[str, Any]) -> Iterator[Fact]:
    """Every answer of a form by our own label of its item, with the item's code."""
    known = {item.code: item.label for item in INSTRUMENTS[code].items} if code in INSTRUMENTS else {}
    for item, answer in items.items():
        yield f"{known.get(item, 'Item')} ({item})", str(answer)


def half_answered(kept: Mapping[str, Any]) -> Iterator[Fact]:
    """What was answered by a link and not sent off yet."""
    for name, answer in kept.get("report", {}).items():
        if is_filled(answer):
            yield f"Not sent off yet: {name.replace('_', ' ')}", str(answer)
    for code, items in kept.get("items", {}).items():
        for item, answer in answers(code, items):
            yield f"Not sent off yet: {_instrument(code)}, {item}", answer


def _scales(score: ScoreResponse) -> Iterator[Fact]:
    names = {each.scale.code: each.scale.name for each in score.scores}
    for code, number in score.scale_values.items():
        yield f"Scale: {names[code]}", f"{round(number, 1):g}"


def _instrument(code: str) -> str:
    return INSTRUMENTS[code].name if code in INSTRUMENTS else code


def _referred_to(row: models.Model | None) -> str:
    match row:
        case None:
            return "A row that is gone"
        case User():
            return row.shown_name
        case Surgeon():
            return row.name
    return str(capfirst(named(row)))
