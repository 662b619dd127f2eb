"""Rim zones at their borders."""

from decimal import Decimal
from math import inf, nan

import pytest

from registry.rules.rim import rim_zone


# ISAKOS, Anderson et al. AJSM 2011;39:926-32: zone 1 under 3 mm, 2 from 3 to under 5 mm, 3 from 5 mm on.
# That 5 mm itself is zone 3 is the record's own choice.
@pytest.mark.parametrize(
    ("width_mm", "zone"),
    [
        ("0", 1),
        ("2.9", 1),
        ("3", 2),
        ("3.0", 2),
        ("4.9", 2),
        ("5", 3),
        ("5.1", 3),
        ("20", 3),
    ],
)
def test_zone_of_a_width(width_mm: str, zone: int) -> None:
    assert rim_zone(Decimal(width_mm)) == zone
    assert rim_zone(float(width_mm)) == zone


@pytest.mark.parametrize("width_mm", [Decimal("-0.1"), -1, nan, inf, Decimal("NaN")])
def test_no_width_is_refused(width_mm: Decimal | float) -> None:
    with pytest.raises(ValueError, match=f"width_mm is {width_mm}: a rim has a width of 0 mm or more"):
        rim_zone(width_mm)
