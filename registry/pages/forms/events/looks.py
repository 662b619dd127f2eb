"""Forms of a look inside the knee: by arthroscopy, with the class it gives each tear, or by imaging."""

from dataclasses import dataclass
from typing import Any, ClassVar

from registry.models import Imaging, ImagingFinding, SecondLook, SecondLookFinding, Unit
from registry.pages.forms.events.base import EventForm, FindingForm
from registry.rules.healing import second_look_class
from registry.rules.questions import Question, look_questions
from registry.vocabulary import HealingClass

_SHARES = ("healed_thickness_percent", "healed_length_percent")
ACTION_HELP = "Counts as a reoperation of this day: do not record it as a reoperation as well."
NOT_CLASSED = "Not classed yet: enter the healed shares"


@dataclass(frozen=True, slots=True)
class Healing:
    """The class of a tear seen again, and by which limits."""

    words: str
    limits: str


class SecondLookForm(EventForm):
    IDENTIFIED_BY = ("looked_on",)
    DATE = "looked_on"

    class Meta:
        model = SecondLook
        fields = ("looked_on", "reason")


class SecondLookFindingForm(FindingForm):
    class Meta:
        model = SecondLookFinding
        fields = (
            "healed_thickness_percent",
            "healed_length_percent",
            "stable_on_probing",
            "sutures_covered",
            "vessels_seen",
            "action",
        )
        help_texts: ClassVar = {"action": ACTION_HELP}

    def questions(self) -> list[Question]:
        finding: SecondLookFinding = self.instance
        row = {name: getattr(finding, name) for name in self.fields}
        return look_questions(row, finding.healing_class, self.number)

    @property
    def healing(self) -> Healing:
        """The class that the shares now in the form give, by the limits of the patient's unit."""
        unit = self.instance.look.knee.patient.unit
        thickness, length = (_share(self[name].value()) for name in _SHARES)
        limits = (unit.healed_cleft_below_percent, unit.failed_cleft_from_percent)
        known = second_look_class(thickness, length, *limits)
        return Healing(HealingClass(known).label if known else NOT_CLASSED, _limits(unit))


class ImagingForm(EventForm):
    IDENTIFIED_BY = ("imaged_on", "modality")
    DATE = "imaged_on"

    class Meta:
        model = Imaging
        fields = ("imaged_on", "modality")


class ImagingFindingForm(FindingForm):
    class Meta:
        model = ImagingFinding
        fields = ("healed", "signal_to_surface", "fluid_in_repair", "extrusion_mm")


def _limits(unit: Unit) -> str:
    return (
        f"Healed: full length, cleft under {unit.healed_cleft_below_percent} % of the thickness. "
        f"Not healed: cleft from {unit.failed_cleft_from_percent} % on. Partly healed: between. "
        f"Limits of {unit}, after Henning et al. CORR 1990;252:64-72."
    )


def _share(typed: Any) -> int | None:
    """A per cent as typed, None while it is none."""
    text = str(typed).strip()
    return int(text) if text.isascii() and text.isdigit() and int(text) <= 100 else None
