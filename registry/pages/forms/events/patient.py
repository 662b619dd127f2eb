"""Forms of what ends or allows the following of a patient: death, end of follow-up, research permission."""

from datetime import date
from typing import Any, ClassVar, Self

from django.db.models import Model

from registry.models import EndOfFollowUp, Knee, Patient
from registry.pages.forms.events.base import EventForm, Posted
from registry.vocabulary import ResearchPermission


class OfPatientForm(EventForm):
    """A fact that stands with the patient: entering it changes the patient's own row."""

    # Why the row changes, when nothing that was entered before is overwritten.
    REASON: ClassVar[str]

    @classmethod
    def is_on_record(cls, patient: Patient) -> bool:
        return getattr(patient, cls.DATE) is not None


class ResearchPermissionForm(OfPatientForm):
    """What the patient answered last, and when. It replaces the answer before it."""

    DATE = "research_permission_on"
    REASON = "Research permission asked"

    class Meta:
        model = Patient
        fields = ("research_permission", "research_permission_on")
        labels: ClassVar = {"research_permission_on": "Date of the answer"}

    def clean(self) -> dict[str, Any]:
        said: dict[str, Any] = super().clean() or self.cleaned_data
        if "research_permission_on" in said and "research_permission" in said:
            self._fit(said["research_permission"], said["research_permission_on"])
        return said

    def _fit(self, answer: str, answered_on: date | None) -> None:
        asked = answer != ResearchPermission.NOT_ASKED
        if asked and not answered_on:
            self.add_error("research_permission_on", "Enter the day on which the patient answered.")
        elif answered_on and not asked:
            words = "Not asked, so there is no day of an answer. Choose the answer, or clear the date."
            self.add_error("research_permission_on", words)


class DeathForm(OfPatientForm):
    """The day of death; entered for another patient, it is cleared again."""

    DATE = "died_on"
    REASON = "Death recorded"

    class Meta:
        model = Patient
        fields = ("died_on",)

    @classmethod
    def of(cls, recorded: Any, posted: Posted) -> Self:
        form = super().of(recorded, posted)
        form.fields["died_on"].required = recorded.died_on is None
        return form


class EndOfFollowUpForm(EventForm):
    DATE = "ended_on"

    class Meta:
        model = EndOfFollowUp
        fields = ("ended_on", "reason", "attempts")

    @classmethod
    def whose(cls, knee: Knee) -> dict[str, Model]:
        return {"patient": knee.patient}
