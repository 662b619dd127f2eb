"""What is due on Today: of staged knees, the ligament operation and the second look that comes with it."""

from datetime import timedelta

from django.utils import timezone

from registry.completeness import BY_CODE, ligament_treated_since, looked_since, still_followed
from registry.pages.today.listing import LISTED, Line, Listing, Units, operations_of
from registry.vocabulary import Staging

SOON_DAYS = 30


def ligament_operations_due(units: Units) -> Listing:
    """Staged knees still followed and not seen to since, whose ligament date has passed or is near."""
    now = timezone.localdate()
    due = operations_of(units).filter(
        ~looked_since(),
        ~ligament_treated_since(),
        still_followed(),
        staging=Staging.REPAIR_FIRST,
        ligament_planned_on__lte=now + timedelta(days=SOON_DAYS),
    )
    lines = [
        Line(procedure.knee, planned_on, _how_soon((planned_on - now).days))
        for procedure in due.order_by("ligament_planned_on", "pk")[:LISTED]
        if (planned_on := procedure.ligament_planned_on)
    ]
    return Listing("Ligament operation due", "Planned", due.count(), lines)


def second_looks_due(units: Units) -> Listing:
    """Staged knees whose ligament was treated since, without a second look on record."""
    due = operations_of(units).filter(BY_CODE["second-look"].gap, ligament_treated_since())
    lines = [
        Line(procedure.knee, procedure.operated_on, "Ligament treated since: record how the repair looked")
        for procedure in due[:LISTED]
    ]
    return Listing("Second look to record", "Repaired", due.count(), lines)


def _how_soon(days: int) -> str:
    if days == 0:
        return "Today"
    span = f"{abs(days)} day{'' if abs(days) == 1 else 's'}"
    return f"In {span}" if days > 0 else f"{span} overdue"
