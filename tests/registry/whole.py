"""An operation with everything on record that completeness asks for, to be spoilt one thing at a time."""

from typing import Any

from registry.models import IndexProcedure, Rehabilitation, Repair, SuturePass
from registry.recording import record
from registry.rules.indications import PREREQUISITES
from tests import factories
from tests.conftest import Cast

OPERATION = {
    "injury_cause": "pivoting_sport",
    "bmi": 24,
    "smoking": "never",
    "asa": 1,
    "preinjury_tegner": 6,
    "acl": "left",
    "posteromedial_look": "probed",
    **dict.fromkeys(PREREQUISITES, "yes"),
    "alignment_acceptable": "no",
    "hka_deg": -7,
}
TEAR = {
    "pattern": "longitudinal",
    "vascular_zone": "RR",
    "rim_zone": 1,
    "radial_location": "posterior",
    "depth": "complete",
    "length_mm": 15,
    "tissue": "good",
    "unstable": True,
}


def whole_operation(
    cast: Cast, operation: dict[str, Any] | None = None, tear: dict[str, Any] | None = None
) -> IndexProcedure:
    """A whole operation on a new knee, changed as told."""
    procedure = factories.an_operation(cast.unit, cast.oak, **{**OPERATION, **(operation or {})})
    complete(factories.a_repair(procedure, **{**TEAR, **(tear or {})}))
    record(Rehabilitation(procedure=procedure, course="planned", brace_weeks=6))
    return procedure


def complete(repair: Repair) -> None:
    factories.corrected(repair, stable_at_end=True)
    record(SuturePass(repair=repair, configuration="vertical", number=3))
