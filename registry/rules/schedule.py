"""The default plan of reviews after a repair, and which time point a date falls on."""

from dataclasses import dataclass

DAYS_PER_MONTH = 365.25 / 12

# Common practice: a knee score at each review; in the first weeks, when few of its items apply, pain alone.
ASKED_AT_A_REVIEW = ("koos",)
ASKED_EARLY = ("pain_nrs",)


@dataclass(frozen=True, slots=True)
class PlannedReview:
    """One time point: its code, the day it is due after the operation, its window each way in days.

    `instruments` are the codes of the forms that the patient is asked to answer then, in order.
    """

    code: str
    due_day: int
    window_days: int
    instruments: tuple[str, ...] = ASKED_AT_A_REVIEW


def _months(code: str, months: int, window_weeks: int) -> PlannedReview:
    return PlannedReview(code, round(months * DAYS_PER_MONTH), window_weeks * 7)


# Common practice, no published source; a unit will edit its own.
DEFAULT_PLAN = (
    PlannedReview("6w", 42, 14, ASKED_EARLY),
    _months("3m", 3, 4),
    _months("6m", 6, 6),
    _months("12m", 12, 8),
    _months("24m", 24, 12),
    _months("60m", 60, 26),
    _months("120m", 120, 26),
)


def time_point(day: int, plan: tuple[PlannedReview, ...] = DEFAULT_PLAN) -> str:
    """Code of the planned review whose window holds `day` (days after operation), else "unplanned"."""
    for review in plan:
        if abs(day - review.due_day) <= review.window_days:
            return review.code
    return "unplanned"
