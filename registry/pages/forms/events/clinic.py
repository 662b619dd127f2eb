"""Forms of what is seen, asked or heard of a knee without looking inside."""

from typing import Any, ClassVar, Self

from django import forms
from django.db.models import QuerySet

from registry.models import Complication, Contact, Knee, ScoreResponse, Visit
from registry.pages.forms.events.base import EventForm, Posted
from registry.scoring.lysholm import LYSHOLM


class VisitForm(EventForm):
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


class ScoreForm(EventForm):
    """The items of one form by code and label; an item left empty was not answered."""

    instrument = LYSHOLM
    DATE = "answered_on"

    class Meta:
        model = ScoreResponse
        fields = ("answered_on", "reoperated_since")
        labels: ClassVar = {"reoperated_since": "Another operation on this knee since?"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for item in self.instrument.items:
            choices = [("", "Not answered"), *((value, str(value)) for value in item.allowed)]
            self.fields[item.code] = forms.TypedChoiceField(
                label=item.label, choices=choices, coerce=int, empty_value=None, required=False
            )
            self.initial.setdefault(item.code, self.instance.items.get(item.code))

    @classmethod
    def recorded(cls, knee: Knee) -> QuerySet[Any]:
        return super().recorded(knee).filter(instrument=cls.instrument.code)

    @classmethod
    def about(cls, knee: Knee, posted: Posted) -> Self:
        return cls(posted, instance=ScoreResponse(knee=knee, instrument=cls.instrument.code))

    def clean(self) -> dict[str, Any]:
        said: dict[str, Any] = super().clean() or self.cleaned_data
        answers = {item.code: said.get(item.code) for item in self.instrument.items}
        self.instance.items = {code: value for code, value in answers.items() if value is not None}
        return said
