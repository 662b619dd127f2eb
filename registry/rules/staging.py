"""What was done, or is planned, about the ligaments of a repaired knee."""

from collections.abc import Collection
from typing import Literal

# Repair first, ligament about three months later with a second look in between. Common practice.
USUAL_STAGE_MONTHS = 3

LigamentSurgeryCode = Literal["none", "same_operation", "staged_later", "staged_earlier"]


def ligament_surgery(states: Collection[str | None], staging: str) -> LigamentSurgeryCode:
    """Concomitant ligament surgery from the ligament table's states and the staging of the operation.

    Treatment in the same operation outranks a stage still to come, which outranks one already done.
    """
    if "treated_here" in states:
        return "same_operation"
    if "staged" in states or staging == "repair_first":
        return "staged_later"
    return "staged_earlier" if staging == "ligament_first" else "none"
