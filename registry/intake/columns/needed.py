"""Targets that the rows of a sheet cannot do without, by what else it says; derived from the models. Pure."""

from collections.abc import Iterable, Iterator
from functools import cache

from registry.intake.columns.targets import (
    MODELS,
    MOST_TEARS,
    NEEDED_OF_REPAIR,
    NUMBERED_MODELS,
    TARGETS,
    entered,
    rooted,
)

_OPERATED = {"operation", "tear", "repair", "passes", "rehabilitation"}
_WITHOUT_KNEE = {"patient", "end"}
_ONE_TEAR = ("tear", "repair", "passes")
Needed = tuple[str, ...]  # target keys, any one of which will do


def missing_in_sheet(filled: Iterable[str]) -> list[Needed]:
    """What a sheet lacks that fills these targets, by column or for every row."""
    keys = set(filled)
    parts = {key.partition(".")[0] for key in keys}
    return [needed for needed in _needed(parts) if not keys.intersection(needed)]


def missing_in_file(sheets: Iterable[Iterable[str]]) -> list[Needed]:
    """What one sheet at least has to say where any tells of operations: who led them."""
    keys = {key for sheet in sheets for key in sheet}
    tells = any(rooted(key).partition(".")[0] in _OPERATED for key in keys)
    return [("operation.lead_surgeon",)] if tells and "operation.lead_surgeon" not in keys else []


def _needed(parts: set[str]) -> Iterator[Needed]:
    yield ("patient.hospital_number",)
    roots = {rooted(part) for part in parts}
    if roots - _WITHOUT_KNEE:
        yield ("knee.side",)
    if roots & _OPERATED:
        yield ("operation.operated_on",)
    for part in MODELS:
        if part in roots and part not in ("patient", "knee", "operation"):
            yield from ((key,) for key in _required(part))
    for number in range(1, MOST_TEARS + 1):
        yield from _needed_of_tear(number, parts)


def _needed_of_tear(number: int, parts: set[str]) -> Iterator[Needed]:
    """A tear needs its own fields, and what was done to it unless its repair says so."""
    tear, repair, passes = (f"{part}{number}" for part in _ONE_TEAR)
    if not parts & {tear, repair, passes}:
        return
    yield (f"{tear}.meniscus", f"{tear}.place")
    yield (f"{tear}.pattern",)
    if repair in parts or passes in parts:
        yield from (tuple(key.replace("repair", repair) for key in needed) for needed in NEEDED_OF_REPAIR)
    else:
        yield (f"{tear}.treatment",)
    if passes in parts:
        yield from ((key,) for key in _required(passes))


@cache
def _required(part: str) -> tuple[str, ...]:
    """Keys of the fields that a model can neither leave empty nor fill itself."""
    model = MODELS[part] if part in MODELS else NUMBERED_MODELS[rooted(part)]
    return tuple(
        key
        for field in entered(model)
        if not (field.null or field.blank or field.has_default())
        and (key := f"{part}.{field.name}") in TARGETS
    )
