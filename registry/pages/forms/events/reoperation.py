"""Forms of a later operation on the knee, and of what it did to each tear."""

from collections.abc import Sequence
from typing import ClassVar

from registry.models import Reoperation, ReoperationOnTear
from registry.pages.forms.events.base import EventForm, FindingForm
from registry.vocabulary import OtherSurgery, ReoperationAction


class ReoperationForm(EventForm):
    IDENTIFIED_BY = ("operated_on",)
    DATE = "operated_on"

    class Meta:
        model = Reoperation
        fields = ("operated_on", "planned", "other_surgery")

    def nothing_told(self, findings: Sequence[FindingForm]) -> str:
        actions = [finding.instance.action for finding in findings]
        done = [self.cleaned_data["other_surgery"], *actions]
        if any(code not in (OtherSurgery.NONE, ReoperationAction.NONE) for code in done):
            return ""
        return (
            "Nothing was done in this reoperation. Choose the other surgery, or say at a tear what was done. "
            "If the knee was only looked at, record a second look instead."
        )


class ReoperationOnTearForm(FindingForm):
    class Meta:
        model = ReoperationOnTear
        fields = ("action", "site")
        labels: ClassVar = {"action": "What was done"}
