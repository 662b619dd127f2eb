"""Which repairs: a set of filters that lives in an address, says itself in words, and yields a query."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import date
from typing import Any, Self

from django.db.models import QuerySet
from django.utils.formats import date_format
from django.utils.text import get_text_list

from outcomes import wording
from outcomes.strata import STRATA
from registry.models import Repair, Unit

WHICH = {"primary": "primary repairs", "revision": "revision repairs", "all": "repairs, primary and revision"}
DAYS = {"since": "Operated from", "until": "Operated to"}
# How "not filtered" reads where that is not "Any" and the title of the stratum.
_UNFILTERED = {"meniscus": "Either meniscus", "pattern": "Any pattern", "indications": "Within or outside"}


class UnknownFilterError(ValueError):
    """A filter in an address has a value that is none of its choices."""


@dataclass(frozen=True, slots=True)
class Cohort:
    """Filters on repairs. The empty string means: not filtered.

    `since` and `until` are days of operation as in ISO 8601, both counted; the others take the codes of
    `choices`. Each stratum is a filter of its own.
    """

    which: str = "primary"
    unit: str = ""
    meniscus: str = ""
    pattern: str = ""
    since: str = ""
    until: str = ""
    zone: str = ""
    acuity: str = ""
    ligament: str = ""
    technique: str = ""
    augmentation: str = ""
    indications: str = ""
    age: str = ""
    smoking: str = ""

    @classmethod
    def from_query(cls, query: Mapping[str, Any], units: QuerySet[Unit]) -> Self:
        """Read from an address; raises UnknownFilterError naming filter, value and choices."""
        given = {field.name: str(query.get(field.name) or field.default) for field in fields(cls)}
        for name, choices in cls.choices(units).items():
            if given[name] not in choices:
                raise UnknownFilterError(
                    f"{name}: '{given[name]}' is not one of {', '.join(filter(None, choices))}."
                )
        _check_days(given["since"], given["until"])
        return cls(**given)

    @staticmethod
    def choices(units: QuerySet[Unit]) -> dict[str, dict[str, str]]:
        """The choices of each filter but the days, code to label, for these units."""
        return {
            "which": {code: label.capitalize() for code, label in WHICH.items()},
            "unit": {"": "All my units", **{unit.code: unit.name for unit in units}},
            **{
                code: {"": _UNFILTERED.get(code, f"Any {stratum.title}"), **stratum.levels}
                for code, stratum in STRATA.items()
            },
        }

    def repairs(self, units: QuerySet[Unit]) -> QuerySet[Repair]:
        """The repairs of these units that pass the filters."""
        conditions: dict[str, Any] = {"tear__procedure__unit__in": units}
        if self.which != "all":
            conditions["tear__revises__isnull"] = self.which == "primary"
        if self.unit:
            conditions["tear__procedure__unit__code"] = self.unit
        if self.since:
            conditions["tear__procedure__operated_on__gte"] = self.since
        if self.until:
            conditions["tear__procedure__operated_on__lte"] = self.until
        levels = self._levels()
        known = {f"of_{code}": STRATA[code].expression for code in levels}
        wanted = {f"of_{code}": level for code, level in levels.items()}
        return Repair.objects.filter(**conditions).alias(**known).filter(**wanted)

    @property
    def is_narrowed(self) -> bool:
        """Whether it is less than all primary, revision or both repairs of its units."""
        return bool(self._levels() or self.since or self.until)

    def query(self) -> dict[str, str]:
        """What differs from the default, as it stands in an address."""
        return {name: value for name, value in asdict(self).items() if value != asdict(type(self)())[name]}

    def sentence(self, units: QuerySet[Unit], *, name_units: bool = True) -> str:
        """The cohort in words; what leaves the house counts its units instead of naming them."""
        words = [WHICH[self.which].capitalize()]
        words += [
            STRATA[code].said.format(_in_words(STRATA[code].levels[level]))
            for code, level in self._levels().items()
        ]
        words += self._period()
        chosen = units.filter(code=self.unit) if self.unit else units
        names = [unit.name for unit in chosen]
        where = get_text_list(names, "and") if name_units else wording.counted(len(names), "unit")
        return f"{' '.join(words)} at {where}."

    def _levels(self) -> dict[str, str]:
        return {code: level for code in _IN_WORDS if (level := getattr(self, code))}

    def _period(self) -> list[str]:
        limits = [f"{when} {_told(day)}" for when, day in (("from", self.since), ("to", self.until)) if day]
        return ["operated", *limits] if limits else []


# The order in which a sentence tells its filters.
_IN_WORDS = ("meniscus", "pattern", *(code for code in STRATA if code not in ("meniscus", "pattern")))


def _in_words(label: str) -> str:
    """A label within a sentence: small, unless it is an abbreviation."""
    return label if label.isupper() else label[:1].lower() + label[1:]


def _told(day: str) -> str:
    return date_format(date.fromisoformat(day), "j M Y")


def _check_days(since: str, until: str) -> None:
    for name, day in (("since", since), ("until", until)):
        try:
            _ = day and date.fromisoformat(day)
        except ValueError as problem:
            raise UnknownFilterError(f"{name}: '{day}' is no day; give it as 2024-03-01.") from problem
    if since and until and until < since:
        raise UnknownFilterError(f"until: {until} lies before since, {since}; correct one of them.")
