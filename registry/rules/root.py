"""Which type a complete radial tear near a meniscal root is, by its distance from the root."""

from decimal import Decimal
from math import isfinite
from typing import Literal

RadialRootType = Literal["2A", "2B", "2C"]

# LaPrade et al. AJSM 2015;43:363-9.
TYPE_2B_FROM_MM = 3
TYPE_2C_FROM_MM = 6
FARTHEST_MM = 9


def root_type_at(distance_mm: Decimal | float) -> RadialRootType:
    """Type of a complete radial tear by its mm to the root: 2A 0 to < 3, 2B 3 to < 6, 2C 6 to 9.

    LaPrade et al. AJSM 2015;43:363-9.

    Raises
    ------
    ValueError
        When the distance is outside 0 to 9 mm, or not a number: such a tear is no root tear of type 2.
    """
    if not isfinite(distance_mm) or not 0 <= distance_mm <= FARTHEST_MM:
        raise ValueError(
            f"distance_mm is {distance_mm}: a root tear of type 2 lies 0 to {FARTHEST_MM} mm from the root. "
            "Correct it, or choose another pattern."
        )
    if distance_mm < TYPE_2B_FROM_MM:
        return "2A"
    return "2B" if distance_mm < TYPE_2C_FROM_MM else "2C"
