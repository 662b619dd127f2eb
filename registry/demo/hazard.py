"""When a repair fails: a piecewise constant baseline hazard times the ratios of its own levels. Pure."""

from math import ceil, log1p

from registry.demo.dice import DAYS_PER_YEAR, NEVER_DAYS
from registry.demo.truth import HazardRatios, Step


def hazard_ratio(
    ratios: HazardRatios,
    *,
    vascular_zone: str,
    acuity: str,
    ligament_surgery: str,
    augmentation: str,
    surgeon: str,
    revision: bool,
) -> float:
    """Hazard relative to a primary, red-red, acute repair without ligament surgery or augmentation."""
    return (
        ratios.vascular_zone[vascular_zone]
        * ratios.acuity[acuity]
        * ratios.ligament_surgery[ligament_surgery]
        * ratios.augmentation[augmentation]
        * ratios.surgeon[surgeon]
        * (ratios.revision if revision else 1)
    )


def cumulative_hazard(baseline: tuple[Step, ...], day: float) -> float:
    """Baseline hazard summed from operation to `day`."""
    ends = [step.from_day for step in baseline[1:]] + [day]
    spans = (max(min(end, day) - step.from_day, 0) for step, end in zip(baseline, ends, strict=True))
    return sum(step.per_year * days / DAYS_PER_YEAR for step, days in zip(baseline, spans, strict=True))


def failure_day(baseline: tuple[Step, ...], ratio: float, uniform: float) -> int:
    """Whole day, from 1 on, at which a repair fails whose survival function stands at 1 - `uniform`."""
    left = -log1p(-uniform) / ratio
    ends = [step.from_day for step in baseline[1:]] + [NEVER_DAYS]
    for step, end in zip(baseline, ends, strict=True):
        per_day = step.per_year / DAYS_PER_YEAR
        if left <= per_day * (end - step.from_day):
            return max(ceil(step.from_day + left / per_day), 1)
        left -= per_day * (end - step.from_day)
    return NEVER_DAYS
