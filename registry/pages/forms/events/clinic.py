"""Forms of what is seen, asked or heard of a knee without looking inside."""

from collections.abc import Sequence
from datetime import date
from typing import Any, ClassVar, Self

from django.db.models import Max
from django.utils.dateparse import parse_date

from registry.models import Complication, Contact, Knee, Visit
from registry.pages.forms.events.base import EventForm, FindingForm, Posted
from registry.rules.schedule import DEFAULT_PLAN, time_point
from registry.vocabulary import TimePoint

BY_ITS_DATE = "By its date"
NOTHING_RECORDED = (
    "Nothing was recorded of this visit. Enter what was found; if you only spoke with the patient, "
    "record a contact instead."
)


class VisitForm(EventForm):
    """A visit; its time point follows from its date by the plan of the unit, unless it is chosen."""

    IDENTIFIED_BY = ("seen_on", "time_point")
    DATE = "seen_on"

    class Meta:
        model = Visit
        fields = (
            "seen_on",
            "time_point",
            "effusion",
            "joint_line_tenderness",
            "mcmurray",
            "flexion_deg",
            "extension_deg",
            "lachman",
            "pivot",
            "sport_return",
            "employed_as_before",
        )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk is None:
            point: Any = self.fields["time_point"]
            point.choices = [("", BY_ITS_DATE), *point.choices]
            self.initial["time_point"] = ""

    @classmethod
    def of(cls, recorded: Any, posted: Posted) -> Self:
        # A new visit that is sent twice left its time point to its date both times.
        if posted is not None and not posted.get("time_point"):
            point = point_on(recorded.knee, _date(posted.get("seen_on", "")))
            posted = {name: posted[name] for name in posted} | {"time_point": point}
        return super().of(recorded, posted)

    def clean(self) -> dict[str, Any]:
        said: dict[str, Any] = super().clean() or self.cleaned_data
        if said.get("time_point") == "":
            said["time_point"] = point_on(self.instance.knee, said.get("seen_on"))
        return said

    def nothing_told(self, findings: Sequence[FindingForm]) -> str:
        told = [value for name, value in self.cleaned_data.items() if name not in self.IDENTIFIED_BY]
        return "" if any(value not in (None, "") for value in told) else NOTHING_RECORDED


class ComplicationForm(EventForm):
    IDENTIFIED_BY = ("noticed_on", "kind")
    DATE = "noticed_on"

    class Meta:
        model = Complication
        fields = ("noticed_on", "kind", "severity", "found_by", "resolved_on")


class ContactForm(EventForm):
    IDENTIFIED_BY = ("contacted_on", "source")
    DATE = "contacted_on"

    class Meta:
        model = Contact
        fields = ("contacted_on", "source")
        help_texts: ClassVar = {
            "contacted_on": "A day on which the knee was known not to have been operated on again."
        }


def point_on(knee: Knee, seen_on: date | None) -> str:
    """The time point on which a day falls after the latest operation before it, by the unit's plan."""
    operations = knee.procedures.filter(operated_on__lte=seen_on) if seen_on else knee.procedures.none()
    operated_on = operations.aggregate(last=Max("operated_on"))["last"]
    if seen_on is None or operated_on is None:
        return TimePoint.UNPLANNED.value
    return time_point((seen_on - operated_on).days, tuple(knee.patient.unit.own_plan()) or DEFAULT_PLAN)


def _date(typed: str) -> date | None:
    try:
        return parse_date(typed)
    except ValueError:
        return None
