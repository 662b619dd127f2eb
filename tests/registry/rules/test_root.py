"""Types of complete radial root tears at their borders."""

from decimal import Decimal
from math import nan

import pytest

from registry.rules.root import root_type_at


# LaPrade et al. AJSM 2015;43:363-9: 2A 0 to under 3 mm from the root, 2B 3 to under 6 mm, 2C 6 to 9 mm.
@pytest.mark.parametrize(
    ("distance_mm", "root_type"),
    [
        ("0", "2A"),
        ("2.9", "2A"),
        ("3", "2B"),
        ("5.9", "2B"),
        ("6", "2C"),
        ("8.9", "2C"),
        ("9", "2C"),
        ("9.0", "2C"),
    ],
)
def test_type_at_a_distance(distance_mm: str, root_type: str) -> None:
    assert root_type_at(Decimal(distance_mm)) == root_type
    assert root_type_at(float(distance_mm)) == root_type


@pytest.mark.parametrize("distance_mm", [Decimal("-0.1"), Decimal("9.1"), 30, nan, Decimal("NaN")])
def test_too_far_from_the_root_is_refused(distance_mm: Decimal | float) -> None:
    with pytest.raises(ValueError, match=f"distance_mm is {distance_mm}: .* lies 0 to 9 mm from the root"):
        root_type_at(distance_mm)
