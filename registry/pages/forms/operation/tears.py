"""The form of one tear as found and what was done about it."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any, ClassVar

from django import forms

from registry.models import Tear
from registry.models.repairs import ACCOMPANYING
from registry.pages.forms.operation.base import Heading, Headings, SectionedRecordForm, names_under
from registry.pages.tears import Offered
from registry.rules import rim, root
from registry.vocabulary import REPAIRED_TREATMENTS, Meniscus, Pattern

RAMP, ROOT, LATERAL = "ramp", "root", "lateral"
TEAR: Headings = {
    "found": Heading(
        "As found",
        (
            "revises",
            "meniscus",
            "pattern",
            "ramp_type",
            "root_distance_mm",
            "root_type",
            "vascular_zone",
            "rim_width_mm",
            "rim_zone",
            "radial_location",
            "before_popliteal_hiatus",
            "depth",
            "length_mm",
            "tissue",
            "displaced",
            "unstable",
        ),
    ),
    "besides": Heading("Accompanying tears, step on the map", (*ACCOMPANYING, "map_step"), folded=True),
    "done": Heading("What was done", ("treatment",)),
}
# Where a measure passes into each code, as the page's script reads it: one rule for both.
RIM_STEPS = f"0:1 {rim.ZONE_2_FROM_MM}:2 {rim.ZONE_3_FROM_MM}:3"
ROOT_STEPS = f"0:2A {root.TYPE_2B_FROM_MM}:2B {root.TYPE_2C_FROM_MM}:2C"


class ReturnField(forms.TypedChoiceField):
    """Whether a tear is new or the return of an earlier one. Neither is assumed."""

    NEW = "new"

    def __init__(self, earlier: Offered) -> None:
        tears = {str(tear.pk): tear for tear, _ in earlier}
        super().__init__(
            choices=[(self.NEW, "A new tear"), *((str(tear.pk), words) for tear, words in earlier)],
            coerce=tears.get,
            empty_value=None,
            widget=forms.RadioSelect,
            label="New, or the return of an earlier tear",
            help_text="If it was repaired before, that repair failed on the day of this operation.",
            error_messages={"required": "Say whether this tear is new or the return of an earlier one."},
        )


class TearForm(SectionedRecordForm):
    """One tear as found. A measure fills the code it belongs to when that is left open."""

    HEADINGS = TEAR
    ONLY: ClassVar = {
        "ramp_type": RAMP,
        "root_type": ROOT,
        "root_distance_mm": ROOT,
        "before_popliteal_hiatus": LATERAL,
    }
    WIDE = ("revises",)

    class Meta:
        model = Tear
        fields: ClassVar = [name for name in names_under(TEAR) if name != "revises"]

    def __init__(self, earlier: Offered, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if earlier:
            self.fields["revises"] = ReturnField(earlier)
            if self.instance.pk:
                self.initial["revises"] = str(self.instance.revises_id or ReturnField.NEW)
        self.fields["rim_width_mm"].widget.attrs |= {"data-fills": "rim_zone", "data-steps": RIM_STEPS}
        self.fields["root_distance_mm"].widget.attrs |= {"data-fills": "root_type", "data-steps": ROOT_STEPS}

    def holding(self, said: Mapping[str, Any]) -> set[str]:
        holds = {
            RAMP: said.get("pattern") == Pattern.RAMP,
            ROOT: said.get("pattern") == Pattern.ROOT,
            LATERAL: said.get("meniscus") == Meniscus.LATERAL,
        }
        return {name for name, held in holds.items() if held}

    def clean(self) -> dict[str, Any]:
        said = super().clean()
        if "revises" in self.fields:
            self.instance.revises = said.get("revises")
        return said | derived(said)

    @property
    def says_repaired(self) -> bool:
        return self["treatment"].value() in REPAIRED_TREATMENTS


def derived(said: Mapping[str, Any]) -> dict[str, Any]:
    """The codes that a measure gives and that are left open."""
    found: dict[str, Any] = {}
    width_mm, distance_mm = said.get("rim_width_mm"), said.get("root_distance_mm")
    if _is_open(said, "rim_zone") and _lies_within(width_mm, None):
        found["rim_zone"] = rim.rim_zone(width_mm)  # type: ignore[arg-type]
    if _is_open(said, "root_type") and _lies_within(distance_mm, root.FARTHEST_MM):
        found["root_type"] = root.root_type_at(distance_mm)  # type: ignore[arg-type]
    return found


def _is_open(said: Mapping[str, Any], name: str) -> bool:
    return said.get(name) in (None, "")


def _lies_within(measure_mm: Decimal | None, farthest_mm: int | None) -> bool:
    return measure_mm is not None and measure_mm >= 0 and (farthest_mm is None or measure_mm <= farthest_mm)
