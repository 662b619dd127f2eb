"""What a named cohort held when a version was made, what it holds today, and how two of them overlap."""

from dataclasses import asdict, dataclass
from typing import Any

from django.db.models import QuerySet

from outcomes.cache import data_version
from outcomes.cohort import Cohort
from outcomes.failure import FailureDefinition
from outcomes.flow import cohort_flow
from outcomes.flow_step import FlowStep
from outcomes.models import CohortVersion, NamedCohort
from registry.models import Unit, User

FORMAT, FORMAT_VERSION = "rimward cohort definition", 1


@dataclass(frozen=True, slots=True)
class Since:
    """How many repairs came into a cohort since a version of it was made, and how many left it."""

    joined: int
    left: int


@dataclass(frozen=True, slots=True)
class Overlap:
    """How many repairs two versions share, as each was frozen, and how many only one of them holds."""

    both: int
    only_first: int
    only_second: int


def freeze(
    named: NamedCohort, number: int, by: User, query: dict[str, str], definition: str, units: QuerySet[Unit]
) -> CohortVersion:
    """Put a version on record with its flow, its repairs and the record version they were counted in."""
    cohort = Cohort.from_query(query, units)
    flow = [list(asdict(step).values()) for step in cohort_flow(cohort, units)]
    return CohortVersion.objects.create(
        cohort=named,
        number=number,
        query=query,
        definition=definition,
        made_by=by,
        record_version=data_version(),
        units=sorted(units.values_list("code", flat=True)),
        flow=flow,
        members_gzipped=CohortVersion.packed(cohort.repairs(units).values_list("pk", flat=True)),
    )


def flow_of(version: CohortVersion) -> tuple[FlowStep, ...]:
    """The flow as it was counted when the version was made; empty when it never was."""
    return tuple(FlowStep(*step) for step in version.flow)


def is_seen_by(version: CohortVersion, units: QuerySet[Unit]) -> bool:
    """Whether somebody who sees these units sees all that was counted in a version."""
    return bool(version.units) and set(version.units) <= {unit.code for unit in units}


def since(version: CohortVersion, cohort: Cohort, units: QuerySet[Unit]) -> Since:
    """What changed from the repairs of a version to those of the same filters and units today."""
    counted = units.filter(code__in=version.units)
    before, today = version.members, frozenset(cohort.repairs(counted).values_list("pk", flat=True))
    return Since(joined=len(today - before), left=len(before - today))


def overlap(first: CohortVersion, second: CohortVersion) -> Overlap:
    """Compare two versions by the repairs they held when they were made."""
    one, other = first.members, second.members
    return Overlap(len(one & other), len(one - other), len(other - one))


def as_json(version: CohortVersion, sentence: str, definition: FailureDefinition) -> dict[str, Any]:
    """A version as a file of its own: what it asks for and what was counted, for a paper's appendix."""
    return {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "name": version.cohort.name,
        "version": version.number,
        "made_at": version.made_at.isoformat(timespec="seconds"),
        "sentence": sentence,
        "filters": version.query,
        "failure": {"code": definition.code, "name": definition.name, "sentence": definition.sentence},
        "record_version": version.record_version,
        "flow": [asdict(step) for step in flow_of(version)],
    }
