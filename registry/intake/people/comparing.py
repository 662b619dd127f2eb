"""What a file says of something beside what is on record of it. Pure."""

from collections.abc import Iterator, Mapping
from typing import Any, cast

from django.db import models

from registry.intake.people.matching import KnownOperation, KnownTear
from registry.intake.people.told import Operation, Thing, TornThing
from registry.models import Patient, Surgeon
from registry.vocabulary import Technique

# A thing of the file, one of its fields, and what the record has there.
Difference = tuple[Thing, str, Any]


def differences(thing: Thing | None, row: models.Model | None) -> Iterator[Difference]:
    """Each field of a thing that the record has otherwise; what the file does not say is no difference."""
    if thing is None:
        return
    for name, value in written(thing).items():
        recorded = _recorded(row, name)
        if recorded != _as_kept(row, name, value):
            yield thing, name, recorded


def written(thing: Thing) -> Mapping[str, Any]:
    """A thing's values by the fields of its model: techniques as the flags they are kept in."""
    if "techniques" not in thing.values:
        return thing.values
    values = dict(thing.values)
    named = values.pop("techniques")
    return {**values, **{each.value: each in named or bool(values.get(each.value)) for each in Technique}}


def of_operation(told: Operation, known: KnownOperation) -> Iterator[Difference]:
    """Where an operation is told otherwise than it is on record, its tears apart."""
    yield from differences(told.thing, known.row)
    for course, thing in told.rehabilitation.items():
        yield from differences(thing, known.rehabilitation.get(course))


def same_tears(told: Operation, known: KnownOperation) -> list[KnownTear] | None:
    """The tears on record in the order of the file, then those not told of; None where one differs."""
    left, same = list(known.tears), []
    for torn in told.tears:
        like = next((each for each in left if not any(of_tear(torn, each))), None)
        if like is None:
            return None
        left.remove(like)
        same.append(like)
    return same + left


def of_tear(torn: TornThing, known: KnownTear) -> Iterator[Difference]:
    """Where a tear is told otherwise; its passes agree with any of those on record."""
    yield from differences(torn.tear, known.tear)
    yield from differences(torn.repair, known.repair)
    if torn.passes and not any(not [*differences(torn.passes, each)] for each in known.passes):
        yield from differences(torn.passes, known.passes[0] if known.passes else None)


def of_patient(told: Thing, patient: Patient) -> Iterator[Difference]:
    """Where sex or birth disagree; a year agrees with any day in it."""
    if told.values.get("sex", patient.sex) != patient.sex:
        yield told, "sex", patient.sex
    day, year = told.values.get("born_on"), told.values.get("born_year")
    recorded = patient.born_on if patient.born_on_is_exact else patient.born_on.year
    if day and (day if patient.born_on_is_exact else day.year) != recorded:
        yield told, "born_on", recorded
    if year and year != patient.born_on.year:
        yield told, "born_year", patient.born_on.year


def _recorded(row: models.Model | None, name: str) -> Any:
    value = getattr(row, name) if row else None
    return value.code if isinstance(value, Surgeon) else value


def _as_kept(row: models.Model | None, name: str, value: Any) -> Any:
    if row is None:
        return value
    kept = cast(Any, row._meta.get_field(name))
    return value if kept.is_relation else kept.to_python(value)
