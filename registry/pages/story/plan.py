"""What a staged operation still owes: the ligament operation, and the second look that comes with it."""

from collections.abc import Iterator
from typing import Any

from django.urls import reverse

from registry.pages.story.moment import Link, Moment
from registry.pages.story.teller import Teller
from registry.vocabulary import DatePrecision, Staging

NO_LOOK = "A ligament was treated since. How the repaired tears looked then is not on record."


def planned(told: Teller) -> Iterator[Moment]:
    """Plans not carried out, and second looks left out."""
    for procedure in told.procedures:
        if procedure.staging == Staging.REPAIR_FIRST and not procedure.looked_since:
            yield _owed(told, procedure)


def _owed(told: Teller, procedure: Any) -> Moment:
    treated, planned_on = procedure.ligament_treated_since, procedure.ligament_planned_on
    return Moment(
        on=planned_on or procedure.operated_on,
        title="Second look not recorded" if treated else "Ligament operation planned",
        note=NO_LOOK if treated else "",
        mark="is-planned",
        precision=DatePrecision.DAY if planned_on else DatePrecision.UNKNOWN,
        links=_offers(told),
    )


def _offers(told: Teller) -> list[Link]:
    if not told.reader.may_record:
        return []
    url = reverse("record_event", args=[told.knee.uuid, "second-look"])
    return [Link("Record the second look", url)]
