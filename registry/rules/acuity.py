"""How fresh a tear was when it was repaired, and how old the patient."""

from datetime import date
from typing import Literal

AcuityCode = Literal["acute", "subacute", "chronic", "unknown"]

# Default cut points in days from injury to surgery. Published series use 14, 21, 42 and 56 days and
# 12 weeks, and the answer moves with the cut (van der List et al. AJSM 2025,
# doi 10.1177/03635465241298619), so every figure prints the cut it used.
ACUTE_MAX_DAYS = 42
SUBACUTE_MAX_DAYS = 90


def acuity(
    days: int | None, acute_max: int = ACUTE_MAX_DAYS, subacute_max: int = SUBACUTE_MAX_DAYS
) -> AcuityCode:
    """Class of a delay from injury to surgery, in days; None (injury date unknown) is "unknown"."""
    if days is None:
        return "unknown"
    if days <= acute_max:
        return "acute"
    return "subacute" if days <= subacute_max else "chronic"


def whole_years(born_on: date, on: date) -> int:
    """Age in completed years on a day; a birthday counts from its own day on."""
    return on.year - born_on.year - ((on.month, on.day) < (born_on.month, born_on.day))
