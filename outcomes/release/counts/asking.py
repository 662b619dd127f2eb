"""From a named cohort to a request for counts, which passes the same gate as a request for rows."""

from collections.abc import Iterable, Mapping

from django.core.exceptions import PermissionDenied, ValidationError

from outcomes.models import CohortVersion, NamedCohort
from outcomes.release.asked import LEAST_K, Asked
from registry.access import Action, units_for
from registry.models import Unit, User

NOT_NAMED = "No cohort '{name}' is {person}'s or shared with one of their units. Name it under Cohorts first."
NO_VERSION = "'{name}' has no version {number}. Give one that it has, or none for the latest."


def asked_for(by: User, name: str, number: int | None, definition: str, stated: Mapping[str, str]) -> Asked:
    """A request by the name of a cohort and its version, the latest unless given.

    `stated` are project, purpose, approval, recipient and steward.

    Raises
    ------
    PermissionDenied
        When the person releases from no unit of the cohort.
    ValidationError
        Under cohort, when there is no such name or version.
    """
    version = _version(by, name, number)
    units = units_for(by, Action.RELEASE)
    if code := version.query.get("unit", ""):
        units = units.filter(code=code)
    if not units:
        raise PermissionDenied
    return asked_of(version, version.query, units, definition, stated)


def asked_of(
    version: CohortVersion,
    query: Mapping[str, str],
    units: Iterable[Unit],
    definition: str,
    stated: Mapping[str, str],
) -> Asked:
    """A request for the counts of a version of a cohort; nobody is described, so it has no attributes."""
    known, said = list(units), {name: " ".join(words.split()) for name, words in stated.items()}
    return Asked(
        project=said["project"],
        purpose=said["purpose"],
        approval=said["approval"],
        recipient=said["recipient"],
        steward=said["steward"],
        units=tuple(sorted(unit.code for unit in known)),
        cohort_name=version.cohort.name,
        cohort_version=version.number,
        cohort=dict(query),
        definition=definition,
        attributes=(),
        k=limit_of(known),
    )


def limit_of(units: Iterable[Unit]) -> int:
    """The smallest count that all of these units show outside."""
    return max(LEAST_K, *(unit.smallest_count_shown for unit in units))


def _version(by: User, name: str, number: int | None) -> CohortVersion:
    mine = NamedCohort.objects.filter(name=name, made_by=by)
    shared = NamedCohort.objects.filter(name=name, shared_with__in=units_for(by, Action.NAME_COHORT))
    named = mine.first() or shared.first()
    if named is None:
        raise ValidationError({"cohort": NOT_NAMED.format(name=name, person=by.username)})
    found = named.versions.filter(number=number).first() if number else named.latest
    if found is None:
        raise ValidationError({"cohort": NO_VERSION.format(name=name, number=number)})
    found.cohort = named
    return found
