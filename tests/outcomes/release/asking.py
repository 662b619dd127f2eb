"""A request for a release, as plain values, with what a test does not care about filled in."""

from typing import Any

from outcomes.release.asked import Asked
from registry.models import Unit

EVERY_ATTRIBUTE = ("age", "sex", "side", "year", "cause", "ligament", "bmi", "smoking", "activity")


def asked(*units: Unit, **changes: Any) -> Asked:
    """A request for every repair of the units, by every attribute but unit and surgeon."""
    usual: dict[str, Any] = {
        "project": "zones",
        "purpose": "failure by zone",
        "approval": "REC-1",
        "recipient": "Institute of invented studies",
        "steward": "steward@example.org",
        "units": tuple(unit.code for unit in units),
        "cohort_name": "every repair",
        "cohort_version": 1,
        "cohort": {"which": "all"},
        "definition": "reoperation",
        "attributes": EVERY_ATTRIBUTE,
        "year_years": 2,
    }
    return Asked(**{**usual, **changes})
