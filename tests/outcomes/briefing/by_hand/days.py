"""Days asked for, and the days on which reviews are planned."""

from datetime import date
from typing import Any

from tests.outcomes.briefing.by_hand.tables import Tables

# Time point, due day, window each way: the default plan.
PLAN = (
    ("6w", 42, 14), ("3m", 91, 28), ("6m", 183, 42), ("12m", 365, 56), ("24m", 730, 84), ("60m", 1826, 182),
    ("120m", 3652, 182),
)  # fmt: skip


def day_of(text: str | None) -> int | None:
    return date.fromisoformat(text).toordinal() if text else None


def within(days: Any, since: int | None, until: int | None) -> Any:
    return (days >= (since or 0)) & (days <= (until or 10**9))


def plan_of(tables: Tables) -> Any:
    """A unit's own reviews in the order of the default plan, or that plan."""
    own = tables["PlannedTimePoint"]

    def plan(unit: int) -> list[tuple[str, int, int]]:
        rows = own[own["unit_id"] == unit]
        mine = [(row.time_point, int(row.due_day), int(row.window_days)) for row in rows.itertuples()]
        return mine or list(PLAN)

    return plan
