"""The form of Survival and all its views: cohort, definition of failure, split, and the side shown."""

from collections.abc import Mapping
from typing import Any, ClassVar

from django import forms
from django.db.models import QuerySet

from outcomes.pages.filters import Choices, FailureForm
from outcomes.strata import MAIN_STRATA, STRATA, Stratum
from registry.models import Unit

SPLIT, SHOWN_AS, LEVEL, UNTIL_DAY = "split", "as", "level", "until_day"
STANDING, AS_FAILURE = "", "failure"
_BY_MAIN = "Zone, acuity and ligament surgery"


class SurvivalForm(FailureForm):
    """Beside the cohort and the definition: how to split, and whether to show what stands or what failed."""

    def own_selects(self) -> dict[str, tuple[str, Choices]]:
        splits = {code: stratum.title[:1].upper() + stratum.title[1:] for code, stratum in STRATA.items()}
        sides = {STANDING: "Share still standing", AS_FAILURE: "Share failed"}
        return {
            **super().own_selects(),
            SPLIT: ("Split by", {"": _BY_MAIN, **splits}),
            SHOWN_AS: ("Show", sides),
        }

    @property
    def strata(self) -> tuple[Stratum, ...]:
        """How the cohort is split: by the stratum asked for, else by each of the main three."""
        return (self.stratum,) if self.stratum else tuple(MAIN_STRATA.values())

    @property
    def stratum(self) -> Stratum | None:
        """The stratum asked for, if any."""
        return STRATA.get(self.cleaned_data[SPLIT])

    @property
    def as_failure(self) -> bool:
        """Whether the share failed is shown in place of the share standing."""
        return bool(self.cleaned_data[SHOWN_AS] == AS_FAILURE)


class UnturnedForm(SurvivalForm):
    """For views that have one side only; which side the curves show travels along."""

    HIDDEN: ClassVar[tuple[str, ...]] = (SHOWN_AS,)


class UnsplitForm(SurvivalForm):
    """For views of the whole cohort."""

    HIDDEN: ClassVar[tuple[str, ...]] = (SPLIT, SHOWN_AS)


class BehindForm(UnturnedForm):
    """For the repairs behind a curve: one level of the split, and the day by which they had failed."""

    def __init__(self, query: Mapping[str, Any], units: QuerySet[Unit], before: str = "") -> None:
        self.split_asked = STRATA.get(str(query.get(SPLIT)))
        super().__init__(query, units, before)
        self.fields[UNTIL_DAY] = forms.IntegerField(
            label="Failed within (days)",
            required=False,
            min_value=0,
            error_messages={
                "invalid": f"{UNTIL_DAY}: this is no whole number of days; give one, as 730.",
                "min_value": f"{UNTIL_DAY}: a day before the operation; give 0 or more.",
            },
        )

    def own_selects(self) -> dict[str, tuple[str, Choices]]:
        levels = self.split_asked.levels if self.split_asked else {}
        return {**super().own_selects(), LEVEL: ("Of these", {"": "All", **levels})}

    def own_defaults(self) -> dict[str, str]:
        return {**super().own_defaults(), UNTIL_DAY: ""}

    @property
    def level(self) -> tuple[Stratum, str] | None:
        """The level asked for, with its stratum."""
        code = self.cleaned_data[LEVEL]
        return (self.stratum, code) if self.stratum and code else None

    @property
    def until_day(self) -> int | None:
        """The last day counted; None for all."""
        day: int | None = self.cleaned_data[UNTIL_DAY]
        return day
