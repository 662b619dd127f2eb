"""The forms of how one tear was repaired: the repair itself and its suture passes."""

from collections.abc import Mapping
from typing import Any, ClassVar

from registry.models import Repair, SuturePass
from registry.models.repairs import TECHNIQUE_FIELDS
from registry.pages.forms.operation.base import Heading, Headings, SectionedRecordForm, names_under
from registry.pages.forms.operation.tears import TearForm
from registry.vocabulary import Augmentation, Pattern, Technique

PRP, PULL_OUT = "prp", "pull-out"
REPAIR: Headings = {
    "technique": Heading("Technique, any of", TECHNIQUE_FIELDS),
    "fixation": Heading("Tibial fixation", ("tunnels", "tibial_fixation")),
    "end": Heading("At the end", ("stable_at_end",)),
    "besides": Heading(
        "Preparation and augmentation",
        ("rasped", "trephined", "shaved", "augmentation", "prp_blood_ml"),
        folded=True,
    ),
}


class RepairForm(SectionedRecordForm):
    """How one tear was repaired."""

    HEADINGS = REPAIR
    ONLY: ClassVar = {"tunnels": PULL_OUT, "tibial_fixation": PULL_OUT, "prp_blood_ml": PRP}

    class Meta:
        model = Repair
        fields = names_under(REPAIR)
        labels: ClassVar = {technique.value: technique.label for technique in Technique}

    def __init__(self, tear: TearForm, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.tear = tear

    def holding(self, said: Mapping[str, Any]) -> set[str]:
        holds = {
            PRP: said.get("augmentation") == Augmentation.PRP,
            PULL_OUT: said.get("pull_out") or self.tear["pattern"].value() == Pattern.ROOT,
        }
        return {name for name, held in holds.items() if held}


class PassForm(SectionedRecordForm):
    """Passes of one kind."""

    class Meta:
        model = SuturePass
        fields = ("number", "configuration", "surface", "suture_size", "spacing_mm")
