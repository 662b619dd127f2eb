"""One step of the flow of a cohort, as plain values."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FlowStep:
    """One rule: how many repairs it left out, and how many remained after it."""

    code: str
    label: str
    left_out: int
    remaining: int
