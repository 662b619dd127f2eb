"""Which repairs: a set of filters that lives in an address, says itself in words, and yields a query."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Self

from django.db.models import QuerySet
from django.utils.text import get_text_list

from outcomes import wording
from registry.models import Repair, Unit
from registry.vocabulary import Meniscus, Pattern

WHICH = {"primary": "primary repairs", "revision": "revision repairs", "all": "repairs, primary and revision"}


class UnknownFilterError(ValueError):
    """A filter in an address has a value that is none of its choices."""


@dataclass(frozen=True, slots=True)
class Cohort:
    """Filters on repairs. The empty string means: not filtered."""

    which: str = "primary"
    unit: str = ""
    meniscus: str = ""
    pattern: str = ""

    @classmethod
    def from_query(cls, query: Mapping[str, Any], units: QuerySet[Unit]) -> Self:
        """Read from an address; raises UnknownFilterError naming filter, value and choices."""
        given = {field.name: str(query.get(field.name) or field.default) for field in fields(cls)}
        for name, choices in cls.choices(units).items():
            if given[name] not in choices:
                raise UnknownFilterError(
                    f"{name}: '{given[name]}' is not one of {', '.join(filter(None, choices))}."
                )
        return cls(**given)

    @staticmethod
    def choices(units: QuerySet[Unit]) -> dict[str, dict[str, str]]:
        """The choices of each filter, code to label, for these units."""
        return {
            "which": {code: label.capitalize() for code, label in WHICH.items()},
            "unit": {"": "All my units", **{unit.code: unit.name for unit in units}},
            "meniscus": {"": "Either meniscus", **dict(Meniscus.choices)},
            "pattern": {"": "Any pattern", **dict(Pattern.choices)},
        }

    def repairs(self, units: QuerySet[Unit]) -> QuerySet[Repair]:
        """The repairs of these units that pass the filters."""
        conditions: dict[str, Any] = {"tear__procedure__unit__in": units}
        if self.which != "all":
            conditions["tear__revises__isnull"] = self.which == "primary"
        if self.unit:
            conditions["tear__procedure__unit__code"] = self.unit
        if self.meniscus:
            conditions["tear__meniscus"] = self.meniscus
        if self.pattern:
            conditions["tear__pattern"] = self.pattern
        return Repair.objects.filter(**conditions)

    def sentence(self, units: QuerySet[Unit], *, name_units: bool = True) -> str:
        """The cohort in words; what leaves the house counts its units instead of naming them."""
        labels = self.choices(units)
        words = [WHICH[self.which].capitalize()]
        if self.meniscus:
            words.append(f"of the {labels['meniscus'][self.meniscus].lower()} meniscus")
        if self.pattern:
            words.append(f"of {labels['pattern'][self.pattern].lower()} tears")
        names = [labels["unit"][self.unit]] if self.unit else [unit.name for unit in units]
        where = get_text_list(names, "and") if name_units else wording.counted(len(names), "unit")
        return f"{' '.join(words)} at {where}."
