"""The places of a meniscus: twelve steps along, three rim zones across, and how they are said aloud."""

from collections.abc import Sequence
from typing import Literal

Side = Literal["left", "right"]
Meniscus = Literal["medial", "lateral"]
Location = Literal["anterior", "middle", "posterior", "root"]
SIDES: tuple[Side, ...] = ("right", "left")
MENISCI: tuple[Meniscus, ...] = ("medial", "lateral")
STEPS = range(1, 13)
ZONES = range(1, 4)
# ISAKOS rim widths, Anderson et al. AJSM 2011;39:926-32.
RIM_WIDTHS = {1: "under 3 mm", 2: "3 to under 5 mm", 3: "5 mm or more"}


def location_of(step: int) -> Location:
    """The third of the meniscus, or root, in which a step lies.

    Raises
    ------
    ValueError
        When there is no such step.
    """
    must_be_one_of("step", step, STEPS)
    if step in (STEPS[0], STEPS[-1]):
        return "root"
    if step <= 4:
        return "anterior"
    return "middle" if step <= 8 else "posterior"


def words(meniscus: Meniscus, step: int, zone: int | None) -> str:
    """A place as it is said aloud."""
    location = location_of(step)
    third = f"{location} third"
    if location == "root":
        third = "anterior root" if step == STEPS[0] else "posterior root"
    rim = f"rim zone {zone}, {RIM_WIDTHS[zone]}" if zone else "rim zone not recorded"
    return f"{meniscus.capitalize()} meniscus, {third}, step {step} of {len(STEPS)}, {rim}"


def must_be_one_of(name: str, value: object, allowed: Sequence[object]) -> None:
    if value not in allowed:
        choices = ", ".join(str(choice) for choice in allowed)
        raise ValueError(f"{name} is {value!r}; the tear map knows {choices}. Give one of these.")
