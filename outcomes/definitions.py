"""The definitions of failure on offer: the registry's own two, and those of the units one may see."""

from collections.abc import Mapping
from typing import Any

from django.db.models import QuerySet

from outcomes.cohort import UnknownFilterError
from outcomes.failure import DEFINITIONS, REOPERATION, FailureDefinition, own_definition
from outcomes.models import OwnDefinition
from registry.models import Unit


def definitions_for(units: QuerySet[Unit]) -> dict[str, FailureDefinition]:
    """Every definition in use by code: those that all units share, then the units' own."""
    own = OwnDefinition.objects.filter(unit__in=units, retired_at__isnull=True)
    return DEFINITIONS | {row.code: as_definition(row) for row in own}


def definition_coded(code: str) -> FailureDefinition:
    """The definition of a code, retired or not, for what was already made with it.

    Raises
    ------
    KeyError
        If there never was one.
    """
    if code in DEFINITIONS:
        return DEFINITIONS[code]
    key = code.removeprefix("own-")
    row = OwnDefinition.objects.filter(pk=key).first() if key.isdecimal() else None
    if row is None:
        raise KeyError(code)
    return as_definition(row)


def as_definition(row: OwnDefinition) -> FailureDefinition:
    """A unit's own definition, ready to count by."""
    return own_definition(row.code, row.name, row.sources)


def definition_asked(query: Mapping[str, Any], units: QuerySet[Unit]) -> FailureDefinition:
    """The definition that an address names under `failure`; raises UnknownFilterError with the choices."""
    known = definitions_for(units)
    code = query.get("failure") or REOPERATION.code
    if code not in known:
        raise UnknownFilterError(f"failure: '{code}' is not one of {', '.join(known)}.")
    return known[code]
