"""Quasi-identifiers at their finest: the band that an age, a body-mass index or a level falls in. Pure.

The bands are those of `hierarchies.ATTRIBUTES`; a test holds the two together.
"""

from decimal import Decimal

UNKNOWN = "unknown"
# Ages: five years each, open below the first and from the last on.
YOUNGEST, OLDEST, AGE_WIDTH = 15, 60, 5
# World Health Organization, Obesity, Technical Report Series 894, 2000: first value of each band.
BMI_BANDS = (
    (Decimal("18.5"), "under_18_5"),
    (Decimal(25), "18_5_24_9"),
    (Decimal(30), "25_29_9"),
    (Decimal(35), "30_34_9"),
)
HIGHEST_BMI = "35_and_over"
# Tegner levels, by the last of each band.
ACTIVITY_BANDS = ((2, "0_2"), (4, "3_4"), (6, "5_6"), (8, "7_8"), (10, "9_10"))


def age_band(years: int) -> str:
    """The band of an age in completed years."""
    if years < YOUNGEST:
        return f"under_{YOUNGEST}"
    if years >= OLDEST:
        return f"{OLDEST}_and_over"
    first = years - years % AGE_WIDTH
    return f"{first}_{first + AGE_WIDTH - 1}"


def bmi_band(bmi: Decimal | None) -> str:
    """The band of a body-mass index in kg/m2."""
    if bmi is None:
        return UNKNOWN
    return next((band for above, band in BMI_BANDS if bmi < above), HIGHEST_BMI)


def activity_band(tegner: int | None) -> str:
    """The band of a Tegner level, 0 to 10."""
    if tegner is None:
        return UNKNOWN
    return next(band for last, band in ACTIVITY_BANDS if tegner <= last)
