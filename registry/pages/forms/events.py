"""Forms of what happens to a knee after its operation, and the table of kinds that the pages go by."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, ClassVar, Self

from django import forms
from django.db.models import Model

from registry.models import (
    Complication,
    Contact,
    EndOfFollowUp,
    Imaging,
    ImagingFinding,
    Knee,
    Patient,
    Reoperation,
    ReoperationOnTear,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    Tear,
    Visit,
)
from registry.models.followup import TearFinding
from registry.pages.forms.base import RecordForm
from registry.pages.wording import Facts, tear_facts, tear_name
from registry.scoring.lysholm import LYSHOLM
from registry.vocabulary import OtherSurgery, ReoperationAction, ResearchPermission

Posted = Mapping[str, Any] | None


class EventForm(RecordForm):
    """One event of a knee."""

    # Two entries that agree in these fields speak of one event.
    IDENTIFIED_BY: ClassVar[tuple[str, ...]] = ()

    @classmethod
    def about(cls, knee: Knee, posted: Posted) -> Self:
        return cls(posted, instance=cls._meta.model(knee=knee))

    def recorded_before(self) -> Model | None:
        """The same event, if it is on record."""
        if not self.IDENTIFIED_BY:
            return None
        same = {name: self.cleaned_data[name] for name in self.IDENTIFIED_BY}
        rows: Any = self._meta.model._default_manager.filter(knee=self.instance.knee, **same)
        found: Model | None = rows.first()
        return found

    def nothing_told(self, findings: Sequence["FindingForm"]) -> str:
        """Why the event, with these findings, is none; the empty text when it is one."""
        return ""

    def differences(self, recorded: Model) -> list[str]:
        """The fields in which this entry disagrees with the recorded event."""
        return [name for name in self.fields if getattr(recorded, name) != self.cleaned_data[name]]


class VisitForm(EventForm):
    IDENTIFIED_BY = ("seen_on", "time_point")

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


class SecondLookForm(EventForm):
    IDENTIFIED_BY = ("looked_on",)

    class Meta:
        model = SecondLook
        fields = ("looked_on", "reason")


class ImagingForm(EventForm):
    IDENTIFIED_BY = ("imaged_on", "modality")

    class Meta:
        model = Imaging
        fields = ("imaged_on", "modality")


class ReoperationForm(EventForm):
    IDENTIFIED_BY = ("operated_on",)

    class Meta:
        model = Reoperation
        fields = ("operated_on", "planned", "other_surgery")

    def nothing_told(self, findings: Sequence["FindingForm"]) -> str:
        actions = [finding.cleaned_data["action"] for finding in findings]
        done = [self.cleaned_data["other_surgery"], *actions]
        if any(code not in (OtherSurgery.NONE, ReoperationAction.NONE) for code in done):
            return ""
        return (
            "Nothing was done in this reoperation. Choose the other surgery, or say at a tear what was done. "
            "If the knee was only looked at, record a second look instead."
        )


class ComplicationForm(EventForm):
    IDENTIFIED_BY = ("noticed_on", "kind")

    class Meta:
        model = Complication
        fields = ("noticed_on", "kind", "severity", "found_by", "resolved_on")


class ContactForm(EventForm):
    IDENTIFIED_BY = ("contacted_on", "source")

    class Meta:
        model = Contact
        fields = ("contacted_on", "source")
        help_texts: ClassVar = {
            "contacted_on": "A day on which the knee was known not to have been operated on again."
        }


class ScoreForm(EventForm):
    """The items of one form by code and label; an item left empty was not answered."""

    instrument = LYSHOLM

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

    @classmethod
    def about(cls, knee: Knee, posted: Posted) -> Self:
        return cls(posted, instance=ScoreResponse(knee=knee, instrument=cls.instrument.code))

    def clean(self) -> dict[str, Any]:
        said: dict[str, Any] = super().clean() or self.cleaned_data
        answers = {item.code: said.get(item.code) for item in self.instrument.items}
        self.instance.items = {code: value for code, value in answers.items() if value is not None}
        return said


class ResearchPermissionForm(EventForm):
    """What the patient answered last, and when. It replaces the answer before it."""

    class Meta:
        model = Patient
        fields = ("research_permission", "research_permission_on")
        labels: ClassVar = {"research_permission_on": "Date of the answer"}

    @classmethod
    def about(cls, knee: Knee, posted: Posted) -> Self:
        return cls(posted, instance=knee.patient)

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
        elif not self.has_changed():
            words = "This is already on record. Change the answer or its date, or leave this page."
            self.add_error(None, words)


class EndOfFollowUpForm(EventForm):
    class Meta:
        model = EndOfFollowUp
        fields = ("ended_on", "reason", "attempts")

    @classmethod
    def about(cls, knee: Knee, posted: Posted) -> Self:
        return cls(posted, instance=EndOfFollowUp(patient=knee.patient))


class DeathForm(EventForm):
    class Meta:
        model = Patient
        fields = ("died_on",)

    @classmethod
    def about(cls, knee: Knee, posted: Posted) -> Self:
        form = cls(posted, instance=knee.patient)
        form.fields["died_on"].required = True
        return form


class FindingForm(RecordForm):
    """What an event says of one tear; left as it came, it says nothing."""

    known: Facts

    @classmethod
    def of(cls, number: int, tear: Tear, event: Model, posted: Posted) -> Self:
        finding: Any = cls._meta.model
        instance = finding(tear=tear, **{finding.EVENT_FIELD: event})
        form = cls(
            posted,
            instance=instance,
            prefix=f"tear-{tear.pk}",
            empty_permitted=True,
            use_required_attribute=False,
        )
        form.title, form.known = tear_name(number, tear), tear_facts(tear)
        return form

    def concerns(self, event: Model) -> None:
        """Say which recorded event the finding belongs to."""
        finding: TearFinding = self.instance
        setattr(finding, finding.EVENT_FIELD, event)


class SecondLookFindingForm(FindingForm):
    class Meta:
        model = SecondLookFinding
        fields = (
            "healed_thickness_percent",
            "healed_length_percent",
            "stable_on_probing",
            "sutures_covered",
            "vessels_seen",
        )


class ImagingFindingForm(FindingForm):
    class Meta:
        model = ImagingFinding
        fields = ("healed", "signal_to_surface", "fluid_in_repair", "extrusion_mm")


class ReoperationOnTearForm(FindingForm):
    class Meta:
        model = ReoperationOnTear
        fields = ("action", "site")
        labels: ClassVar = {"action": "What was done"}


@dataclass(frozen=True, slots=True)
class EventKind:
    """One kind of event: its word in addresses, its name on screen, and its forms."""

    slug: str
    name: str
    form: type[EventForm]
    finding: type[FindingForm] | None = None


KINDS: dict[str, EventKind] = {
    kind.slug: kind
    for kind in (
        EventKind("visit", "Visit", VisitForm),
        EventKind("score", LYSHOLM.name, ScoreForm),
        EventKind("second-look", "Second look", SecondLookForm, SecondLookFindingForm),
        EventKind("imaging", "Imaging", ImagingForm, ImagingFindingForm),
        EventKind("reoperation", "Reoperation", ReoperationForm, ReoperationOnTearForm),
        EventKind("complication", "Complication", ComplicationForm),
        EventKind("contact", "Contact", ContactForm),
        EventKind("research-permission", "Research permission", ResearchPermissionForm),
        EventKind("end-of-follow-up", "End of follow-up", EndOfFollowUpForm),
        EventKind("death", "Death", DeathForm),
    )
}


def open_kinds(knee: Knee, end: EndOfFollowUp | None) -> dict[str, EventKind]:
    """What can still be recorded, by slug: follow-up ends once, and so does a life."""
    over = {"end-of-follow-up": bool(end), "death": bool(knee.patient.died_on)}
    return {slug: kind for slug, kind in KINDS.items() if not over.get(slug)}
