"""The cohorts that a coordinator may release: the latest version of each name, and one that a link names."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Self

from django.db.models import QuerySet

from outcomes.cohort import Cohort
from outcomes.models import CohortVersion, NamedCohort
from outcomes.pages.named_lines import Reader
from outcomes.release.asked import Asked
from outcomes.release.reading import permitted_repairs
from registry.models import Unit, User


@dataclass(frozen=True, slots=True)
class Choice:
    """One version of a named cohort, with its filters as this reader may use them."""

    version: CohortVersion
    cohort: Cohort
    sentence: str
    units: QuerySet[Unit]

    @property
    def code(self) -> str:
        """How the form names it."""
        return f"{self.version.cohort.uuid}:{self.version.number}"

    @property
    def name_and_number(self) -> tuple[str, int]:
        return self.version.cohort.name, self.version.number

    @property
    def label(self) -> str:
        return f"{self.version.cohort.name}, version {self.version.number}"

    @property
    def counted(self) -> tuple[int, int]:
        """Repairs in the cohort today, and those among them whose patients allow research."""
        return self.cohort.repairs(self.units).count(), permitted_repairs(self.cohort, self.units).count()


@dataclass(frozen=True, slots=True)
class Choices:
    """What may be chosen, by code."""

    by_code: Mapping[str, Choice]

    @classmethod
    def of(cls, person: User, units: QuerySet[Unit], asked: str, before: Asked | None = None) -> Self:
        """The latest versions, the one asked for and that of an earlier request, where these units serve."""
        reader = Reader.of(person, units)
        found = (
            _choice(version, reader)
            for named in reader.visible().prefetch_related("versions")
            for version in _versions(named, asked, before)
        )
        return cls({choice.code: choice for choice in found if choice})

    def of_request(self, before: Asked) -> str:
        """The code of an earlier request's cohort; empty where it is gone."""
        same = (before.cohort_name, before.cohort_version)
        return next((code for code, each in self.by_code.items() if each.name_and_number == same), "")

    def named(self) -> list[tuple[str, str]]:
        """The choices of a form's field."""
        return [(code, choice.label) for code, choice in self.by_code.items()]


def asked_in(query: Mapping[str, Any]) -> str:
    """The version that an address names, as `Choice.code` does: ?cohort=UUID:2 or ?cohort=UUID&version=2."""
    cohort, version = str(query.get("cohort", "")), str(query.get("version", ""))
    return f"{cohort}:{version}" if version and ":" not in cohort else cohort


def _versions(named: NamedCohort, asked: str, before: Asked | None) -> Iterator[CohortVersion]:
    """The latest version, and an older one that is asked for or was in an earlier request."""
    latest = named.latest
    same = (before.cohort_name, before.cohort_version) if before else None
    for version in named.versions.all():
        is_asked = f"{named.uuid}:{version.number}" == asked
        if version == latest or is_asked or (named.name, version.number) == same:
            version.cohort = named
            yield version


def _choice(version: CohortVersion, reader: Reader) -> Choice | None:
    cohort = reader.cohort(version.query)
    if cohort is None:
        return None
    units = reader.units.filter(code=cohort.unit) if cohort.unit else reader.units
    return Choice(version, cohort, reader.sentence(cohort), units)
