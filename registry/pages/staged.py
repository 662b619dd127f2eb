"""The second look that a staged knee owes: its ligament operation is the day to take it."""

from datetime import date

from django.urls import reverse
from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.safestring import SafeString

from registry.completeness import looked_since
from registry.models import IndexProcedure, Knee
from registry.vocabulary import Staging


def is_staged(knee: Knee) -> bool:
    """Whether a repair of this knee waits for its ligament operation and has not been looked at since."""
    staged = IndexProcedure.objects.filter(knee=knee, staging=Staging.REPAIR_FIRST)
    return staged.filter(~looked_since()).exists()


def second_look_offer(knee: Knee, operated_on: date) -> SafeString:
    """After a ligament operation on a staged knee: where the second look of that day is recorded."""
    url = reverse("record_event", args=[knee.uuid, "second-look"])
    return format_html(
        'This knee was staged. <a href="{}?on={}">Record the second look of {}</a>: how each repaired tear '
        "had healed by then.",
        url,
        operated_on.isoformat(),
        date_format(operated_on),
    )
