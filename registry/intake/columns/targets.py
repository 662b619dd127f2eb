"""What a column can fill: every field that a person enters into the record, derived from its models."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from decimal import Decimal
from enum import StrEnum
from typing import Any

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.text import capfirst

from registry.models import (
    Complication,
    Contact,
    EndOfFollowUp,
    Identity,
    Imaging,
    ImagingFinding,
    IndexProcedure,
    Kept,
    Knee,
    Patient,
    Rehabilitation,
    Reoperation,
    ReoperationOnTear,
    Repair,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    Surgeon,
    SuturePass,
    Tear,
    Visit,
)
from registry.models.limits import between
from registry.scoring import INSTRUMENTS, Instrument, Item
from registry.vocabulary import Meniscus, RadialLocation, Technique

MOST_TEARS = 3  # in one row; further tears of an operation stand in rows of their own
TOTAL_REFUSED = "The record keeps the answers to single items and works totals out itself."


class Kind(StrEnum):
    """How the values of a target are read."""

    TEXT = "text"
    DATE = "date"
    YEAR = "year"
    WHOLE = "whole"
    DECIMAL = "decimal"
    YES_NO = "yes_no"
    CODE = "code"
    CODES = "codes"
    SURGEON = "surgeon"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Target:
    """One place in the record that a column can fill.

    `choices` are (code, label); a whole number with gaps (an item of a score) has its allowed values there.
    `unit` is a UCUM code; `low` and `high` are in it. `validators` are the record's own, with its words.
    """

    key: str
    label: str
    kind: Kind
    part: str
    choices: tuple[tuple[str, str], ...] = ()
    unit: str = ""
    low: Decimal | None = None
    high: Decimal | None = None
    places: int = 0
    codes_are_numbers: bool = False
    validators: tuple[Callable[[Any], None], ...] = field(default=(), compare=False, repr=False)

    @property
    def root(self) -> str:
        """Its key without the number of its part: "tear2.pattern" is a "tear.pattern"."""
        return rooted(self.key)

    @property
    def codes(self) -> tuple[str, ...]:
        return tuple(code for code, _ in self.choices)


def rooted(key: str) -> str:
    """A key (or part) without the number of its part."""
    part, dot, name = key.partition(".")
    return part.rstrip("0123456789") + dot + name


# What one row can tell of, in order; the numbered ones up to three times.
PARTS = {
    "patient": "Patient",
    "knee": "Knee",
    "operation": "Operation",
    **{
        f"{part}{number}": f"{label} {number}"
        for number in range(1, MOST_TEARS + 1)
        for part, label in (("tear", "Tear"), ("repair", "Repair of tear"), ("passes", "Passes in tear"))
    },
    "rehabilitation": "Rehabilitation",
    "visit": "Visit",
    "look": "Second look",
    **{f"look{number}": f"Second look: tear {number}" for number in range(1, MOST_TEARS + 1)},
    "reoperation": "Reoperation",
    **{f"reoperation{number}": f"Reoperation: tear {number}" for number in range(1, MOST_TEARS + 1)},
    "imaging": "Imaging",
    **{f"imaging{number}": f"Imaging: tear {number}" for number in range(1, MOST_TEARS + 1)},
    "complication": "Complication",
    "contact": "Contact",
    "end": "End of follow-up",
    "score": "Score",
}
MODELS: dict[str, type[Kept]] = {
    "patient": Patient,
    "knee": Knee,
    "operation": IndexProcedure,
    "rehabilitation": Rehabilitation,
    "visit": Visit,
    "look": SecondLook,
    "reoperation": Reoperation,
    "imaging": Imaging,
    "complication": Complication,
    "contact": Contact,
    "end": EndOfFollowUp,
    "score": ScoreResponse,
}
NUMBERED_MODELS: dict[str, type[Kept]] = {
    "tear": Tear,
    "repair": Repair,
    "passes": SuturePass,
    "look": SecondLookFinding,
    "reoperation": ReoperationOnTear,
    "imaging": ImagingFinding,
}
# Fields of these models that no column fills, each with its reason.
NOT_A_TARGET = {
    "Patient.unit": "a file is of the unit that takes it in",
    "Patient.born_on_is_exact": "said by which of date and year of birth is given",
    "Patient.language": "what a patient wishes now is asked of them, not read from old notes",
    "Patient.reminders": "what a patient wishes now is asked of them, not read from old notes",
    "IndexProcedure.unit": "a file is of the unit that takes it in",
    "Tear.revises": "follows from the tears on record; said on the operation's page",
    "ScoreResponse.instrument": "said by the items",
    "ScoreResponse.items": "each item is a target of its own",
}
# Models that no column fills, each with its reason.
NOT_BROUGHT = {
    "Unit": "a unit is set up, not brought in",
    "PlannedTimePoint": "a unit is set up, not brought in",
    "Surgeon": "surgeons are set up, then found by name or code",
    "GradePeriod": "surgeons are set up, then found by name or code",
    "Identity": "its values are sealed: the plain ones are targets of the patient",
    "Implant": "a label is read whole, from the package or its code, on the operation's page",
    "TearReading": "a second reading is made without the first, on its own page",
    "GivenUpReview": "concerns reviews that wait now",
    "BookedVisit": "concerns reviews that wait now",
    "PatientReport": "told by patients themselves",
    "SoftAnswer": "answers what the site asks at entry",
}
# Needed before a patient who is not on record yet can be operated on in it; one of each tuple.
NEEDED_OF_NEW_OPERATION: tuple[tuple[str, ...], ...] = (
    ("patient.hospital_number",),
    ("patient.sex",),
    ("patient.born_on", "patient.born_year"),
    ("knee.side",),
    ("operation.operated_on",),
    ("operation.lead_surgeon",),
)
NEEDED_OF_REPAIR: tuple[tuple[str, ...], ...] = (("repair.techniques", *(f"repair.{t}" for t in Technique)),)

_UNITS = {  # ending of a field's name: UCUM
    "_mm": "mm",
    "_deg": "deg",
    "_min": "min",
    "_ml": "mL",
    "_percent": "%",
    "_weeks": "wk",
    "_months": "mo",
    "bmi": "kg/m2",
}
_IDENTITY = dict(
    zip(
        Identity.FIELDS,
        ("Hospital number", "Given names", "Family name", "E-mail", "Phone"),
        strict=True,
    )
)
PLACES = tuple(
    (f"{meniscus}_{third}", f"{meniscus.label} meniscus: {third.label.lower()}")
    for meniscus in Meniscus
    for third in RadialLocation
)


def entered(model: type[Kept]) -> Iterator["models.Field[Any, Any]"]:
    """The fields of a model that a person enters, whatever they are reached by."""
    for each in model._meta.concrete_fields:
        if each.editable and not each.primary_key and each.name not in (*model.PART_OF, *_KEPT):
            yield each


_KEPT = {each.name for each in Kept._meta.get_fields()} | {"recorded_at", "recorded_by"}


def _kind(each: "models.Field[Any, Any]") -> Kind:
    if each.related_model is Surgeon:
        return Kind.SURGEON
    if each.choices:
        return Kind.CODE
    kinds = {"DateField": Kind.DATE, "BooleanField": Kind.YES_NO, "DecimalField": Kind.DECIMAL}
    return kinds.get(each.get_internal_type(), Kind.WHOLE)


def _limit(
    each: "models.Field[Any, Any]", bound: type[MinValueValidator | MaxValueValidator]
) -> Decimal | None:
    checks = each._validators  # type: ignore[attr-defined]  # without those Django adds of a column's width
    own = [check.limit_value for check in checks if isinstance(check, bound)]
    return Decimal(str(own[0])) if own else None


def _of_field(part: str, each: "models.Field[Any, Any]") -> Target:
    return Target(
        key=f"{part}.{each.name}",
        label=capfirst(str(each.verbose_name)),
        kind=_kind(each),
        part=part,
        choices=tuple((str(code), str(label)) for code, label in each.choices or ()),
        unit=next((unit for ending, unit in _UNITS.items() if each.name.endswith(ending)), ""),
        low=_limit(each, MinValueValidator),
        high=_limit(each, MaxValueValidator),
        places=each.decimal_places if isinstance(each, models.DecimalField) else 0,
        codes_are_numbers=bool(each.choices) and isinstance(each, models.IntegerField),
        validators=tuple(each._validators),  # type: ignore[attr-defined]
    )


def _of_model(part: str, model: type[Kept]) -> Iterator[Target]:
    for each in entered(model):
        if f"{model.__name__}.{each.name}" not in NOT_A_TARGET:
            yield _of_field(part, each)


def _whole(key: str, label: str, kind: Kind, low: int, high: int) -> Target:
    return Target(
        key,
        label,
        kind,
        key.partition(".")[0],
        low=Decimal(low),
        high=Decimal(high),
        validators=tuple(between(low, high, label)),
    )


def _of_item(instrument: Instrument, item: Item) -> Target:
    low, high = min(item.allowed), max(item.allowed)
    label = f"{instrument.name} {item.code}: {item.label}"
    whole = _whole(f"score.{instrument.code}.{item.code}", label, Kind.WHOLE, low, high)
    if len(item.allowed) == high - low + 1:
        return whole
    return replace(whole, choices=tuple((str(value), str(value)) for value in item.allowed))


def _all() -> Iterator[Target]:
    for name, label in _IDENTITY.items():
        yield Target(f"patient.{name}", label, Kind.TEXT, "patient")
    yield _whole("patient.born_year", "Year of birth", Kind.YEAR, 1900, 2100)
    yield _whole("operation.injured_days_before", "Days from injury to operation", Kind.WHOLE, 0, 36500)
    for part in PARTS:
        yield from _of_part(part)
    for instrument in INSTRUMENTS.values():
        for item in instrument.items:
            yield _of_item(instrument, item)
        yield Target(f"score.{instrument.code}.total", f"{instrument.name}: total", Kind.REFUSED, "score")


def _of_part(part: str) -> Iterator[Target]:
    root = rooted(part)
    if part == root:
        yield from _of_model(part, MODELS[part])
        return
    yield from _of_model(part, NUMBERED_MODELS[root])
    if root == "tear":
        yield Target(f"{part}.place", "Meniscus and third in one word", Kind.CODE, part, choices=PLACES)
    if root == "repair":
        techniques = tuple((str(code), str(label)) for code, label in Technique.choices)
        yield Target(f"{part}.techniques", "Techniques", Kind.CODES, part, choices=techniques)


def _in_order(targets: Iterator[Target]) -> dict[str, Target]:
    parts = list(PARTS)
    return {target.key: target for target in sorted(targets, key=lambda each: parts.index(each.part))}


TARGETS: dict[str, Target] = _in_order(_all())
