"""Ramp lesions in the period: looked for in ACL-torn knees, and found."""

from __future__ import annotations

from outcomes.briefing.asked import Brief
from outcomes.own.ramp import Ramp, ramp_among


def ramp_in(brief: Brief) -> Ramp:
    """The looks and finds of the unit's operations in the period, in one query."""
    return ramp_among(brief.period.operations().filter(unit=brief.unit))
