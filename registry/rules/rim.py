"""Which zone of a meniscus a tear lies in, by the width of the rim left outside it."""

from decimal import Decimal
from math import isfinite
from typing import Literal

RimZoneCode = Literal[1, 2, 3]

# ISAKOS, Anderson et al. AJSM 2011;39:926-32. Which side 5 mm falls on is fixed here: zone 3.
ZONE_2_FROM_MM = 3
ZONE_3_FROM_MM = 5


def rim_zone(width_mm: Decimal | float) -> RimZoneCode:
    """Zone of a rim width in mm: 1 under 3 mm, 2 from 3 to under 5 mm, 3 from 5 mm on.

    Anderson et al. AJSM 2011;39:926-32.

    Raises
    ------
    ValueError
        When the width is negative or no finite number.
    """
    if not isfinite(width_mm) or width_mm < 0:
        raise ValueError(f"width_mm is {width_mm}: a rim has a width of 0 mm or more. Correct it.")
    if width_mm < ZONE_2_FROM_MM:
        return 1
    return 2 if width_mm < ZONE_3_FROM_MM else 3
