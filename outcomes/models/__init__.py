"""Tables of this app's own, none of them part of the record: what was named, briefed and released."""

from outcomes.models.briefing import Briefing
from outcomes.models.naming import CohortVersion, NamedCohort, OwnDefinition
from outcomes.models.release import JobState, LedgerEntry, LedgerKind, ReleaseJob

__all__ = [
    "Briefing",
    "CohortVersion",
    "JobState",
    "LedgerEntry",
    "LedgerKind",
    "NamedCohort",
    "OwnDefinition",
    "ReleaseJob",
]
