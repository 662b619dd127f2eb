"""Which repairs: a set of filters that lives in an address, says itself in words, and yields a query."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, fields
from datetime import date
from typing import Any, Self

from django.db.models import Q, QuerySet
from django.db.models.expressions import Combinable
from django.utils.formats import date_format
from django.utils.text import get_text_list

from outcomes import wording
from outcomes.strata import STRATA
from registry.models import Repair, Unit

WHICH = {"primary": "primary repairs", "revision": "revision repairs", "all": "repairs, primary and revision"}
DAYS = {"since": "Operated from", "until": "Operated to"}
# A period as it leaves the house: a short one would tell the day of every operation in it.
PERIOD = "operated in a stated period"
# How "not filtered" reads where that is not "Any" and the title of the stratum.
_UNFILTERED = {"meniscus": "Either meniscus", "pattern": "Any pattern", "indications": "Within or outside"}


@dataclass(frozen=True, slots=True)
class Rule:
    """One filter: in words, and as a condition on repairs that know `expression` under the name of_code."""

    code: str
    label: str
    condition: Q = field(hash=False)
    expression: Combinable | None = field(default=None, hash=False)


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
        given = {each.name: str(query.get(each.name) or each.default) for each in fields(cls)}
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
        rules = self.rules()
        on_record = Repair.objects.filter(tear__procedure__unit__in=units).alias(**known_of(rules))
        return on_record.filter(*(rule.condition for rule in rules))

    def rules(self) -> list["Rule"]:
        """What each filter asks for, in the order of the sentence; nothing for a filter that is not set."""
        return [*self._of_kind(), *self._of_levels(), *self._of_period()]

    def _of_kind(self) -> Iterator["Rule"]:
        if self.which != "all":
            revises = Q(tear__revises__isnull=self.which == "primary")
            yield Rule("which", WHICH[self.which].capitalize(), revises)
        if self.unit:
            yield Rule("unit", "Operated on in one unit of several", Q(tear__procedure__unit__code=self.unit))

    def _of_levels(self) -> Iterator["Rule"]:
        for code, level in self._levels().items():
            stratum = STRATA[code]
            words = stratum.said.format(_in_words(stratum.levels[level]))
            yield Rule(code, words[:1].upper() + words[1:], Q(**{f"of_{code}": level}), stratum.expression)

    def _of_period(self) -> Iterator["Rule"]:
        for code, sign, words in (("since", "gte", "from"), ("until", "lte", "to")):
            if day := getattr(self, code):
                condition = Q(**{f"tear__procedure__operated_on__{sign}": day})
                yield Rule(code, f"Operated {words} {_told(day)}", condition)

    @property
    def is_narrowed(self) -> bool:
        """Whether it is less than all primary, revision or both repairs of its units."""
        return bool(self._levels() or self.since or self.until)

    def query(self) -> dict[str, str]:
        """What differs from the default, as it stands in an address."""
        return {name: value for name, value in asdict(self).items() if value != asdict(type(self)())[name]}

    def sentence(self, units: QuerySet[Unit], *, leaves: bool = False) -> str:
        """The cohort in words; what leaves the house counts its units, and tells no day of its period."""
        words = [WHICH[self.which].capitalize()]
        words += [
            STRATA[code].said.format(_in_words(STRATA[code].levels[level]))
            for code, level in self._levels().items()
        ]
        words += self._period() if not leaves else [PERIOD] * bool(self.since or self.until)
        chosen = units.filter(code=self.unit) if self.unit else units
        names = [unit.name for unit in chosen]
        where = wording.counted(len(names), "unit") if leaves else get_text_list(names, "and")
        return f"{' '.join(words)} at {where}."

    def _levels(self) -> dict[str, str]:
        return {code: level for code in _IN_WORDS if (level := getattr(self, code))}

    def _period(self) -> list[str]:
        limits = [f"{when} {_told(day)}" for when, day in (("from", self.since), ("to", self.until)) if day]
        return ["operated", *limits] if limits else []


def known_of(rules: Iterable[Rule]) -> dict[str, Any]:
    """The expressions that the conditions of these rules name."""
    return {f"of_{rule.code}": rule.expression for rule in rules if rule.expression is not None}


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
