"""Readings, visits, imaging and looks to put beside each other."""

from datetime import date, timedelta
from typing import Any

from registry.models import (
    Imaging,
    ImagingFinding,
    Repair,
    SecondLook,
    SecondLookFinding,
    Surgeon,
    TearReading,
    Unit,
    Visit,
)
from registry.recording import record
from tests import factories
from tests.conftest import Cast

READ = {
    "pattern": "longitudinal",
    "depth": "complete",
    "radial_location": "posterior",
    "rim_zone": 1,
    "vascular_zone": "RR",
    "tissue": "good",
}
NO_SIGNS: dict[str, Any] = {"effusion": "none", "joint_line_tenderness": False, "mcmurray": False}
# The operation lies a year before the look, so that signs can be read in the half year between.
LOOK_DAY = 400


def units() -> Any:
    return Unit.objects.all()


def a_reading(repair: Repair, reader: Surgeon, **fields: Any) -> TearReading:
    reading = TearReading(tear=repair.tear, reader=reader, **{**READ, **fields})
    record(reading)
    return reading


def repaired(cast: Cast, n: int, **tear: Any) -> list[Repair]:
    return [factories.a_repair(factories.an_operation(cast.unit, cast.oak), **tear) for _ in range(n)]


def on_day(day: int) -> date:
    return factories.OPERATED_ON + timedelta(days=day)


def a_visit(repair: Repair, day: int, **signs: Any) -> Visit:
    visit = Visit(knee=repair.tear.procedure.knee, seen_on=on_day(day), **{**NO_SIGNS, **signs})
    record(visit)
    return visit


def an_image(repair: Repair, day: int, healed: str) -> ImagingFinding:
    image = Imaging(knee=repair.tear.procedure.knee, imaged_on=on_day(day), modality="mri")
    finding = ImagingFinding(imaging=image, tear=repair.tear, healed=healed)
    record(image, finding)
    return finding


def a_look(repair: Repair, day: int = LOOK_DAY, thickness: int | None = 100, **fields: Any) -> SecondLook:
    """A look, with the tear healed all through unless told otherwise."""
    look = SecondLook(knee=repair.tear.procedure.knee, looked_on=on_day(day), reason="staged")
    finding = SecondLookFinding(
        look=look,
        tear=repair.tear,
        healed_thickness_percent=thickness,
        **{"healed_length_percent": 100, **fields},
    )
    record(look, finding)
    return look
