"""How far each quasi-identifier may be told: its finest codes, and the steps by which it is coarsened.

Pure: the codes of the record's vocabulary are written out here, and a test holds them to it.
"""

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from itertools import pairwise

GIVEN_UP = "any"
UNKNOWN = "unknown"

# Ages are told in bands from the first to the last of these, open at both ends. The upper end lies well below
# the 89 years of 45 CFR 164.514(b)(2)(i)(C).
_AGES = {5: (15, 60), 10: (20, 60), 20: (20, 60), 40: (40, 40)}
# A year is told in bands of the first width, then of the second, then not at all.
_YEARS = {1: 5, 2: 10, 5: 10}


@dataclass(frozen=True, slots=True)
class Step:
    """One coarser form: its name in words, and what each finest code becomes in it."""

    label: str
    into: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Attribute:
    """A quasi-identifier, from its finest codes up to being given up.

    Each of `steps` maps the finest codes and is a coarsening of the one before; the last gives the attribute
    up; anything else is a ValueError. UNKNOWN stays so until then. `finest` is None for an open list of
    codes, which can only be given up. `as_recorded` names the finest form in words.
    """

    code: str
    title: str
    finest: tuple[str, ...] | None
    steps: tuple[Step, ...]
    as_recorded: str = "as recorded"

    def __post_init__(self) -> None:
        codes = self.finest or ()
        strays = [step.label for step in self.steps if set(step.into) != set(codes)]
        if strays:
            raise ValueError(f"{self.code}: step {strays[0]} must map each of the finest codes, and no other")
        if not self.steps or set(self.steps[-1].into.values()) - {GIVEN_UP}:
            raise ValueError(f"{self.code}: the last step does not give all up; map each code to {GIVEN_UP}")
        for fine, coarse in pairwise(self.steps):
            if len({(fine.into[code], coarse.into[code]) for code in codes}) > len(set(fine.into.values())):
                raise ValueError(f"{self.code}: {coarse.label} parts what {fine.label} joins; let steps nest")

    def label(self, step: int) -> str:
        """Name the form at a step in words; step 0 is the finest."""
        return self.steps[step - 1].label if step else self.as_recorded

    def coarsened(self, code: str, step: int) -> str:
        """Tell what a finest code becomes at a step; step 0 leaves it as it is."""
        if step == len(self.steps):
            return GIVEN_UP
        return self.steps[step - 1].into[code] if step else code

    def merged(self, codes: Collection[str], step: int) -> dict[str, int]:
        """Count, for each of the finest codes, how many of them share its form at a step."""
        forms = {code: self.coarsened(code, step) for code in codes}
        sharing = Counter(forms.values())
        return {code: sharing[form] for code, form in forms.items()}


def year_code(year: int, width: int) -> str:
    """Give the band of calendar years that a year lies in: 2024, 2024_2025 or 2020_2024."""
    first = year - year % width
    return str(first) if width == 1 else f"{first}_{first + width - 1}"


def year_attribute(width: int, years_present: Collection[int]) -> Attribute:
    """Describe the year of the operation in bands of 1, 2 or 5 years, for the years that there are."""
    if width not in _YEARS:
        raise ValueError(f"width is {width}: a year is told in bands of 1, 2 or 5 years; choose one of these")
    into = {year_code(year, width): year_code(year, _YEARS[width]) for year in sorted(set(years_present))}
    wider = Step(_width(_YEARS[width]), into)
    return Attribute("year", "Year of operation", tuple(into), (wider, _given_up(into)), _width(width))


def _width(years: int) -> str:
    return "single years" if years == 1 else f"{years}-year bands"


def _given_up(codes: Collection[str] = ()) -> Step:
    return Step("given up", dict.fromkeys(codes, GIVEN_UP))


def _attribute(code: str, title: str, finest: tuple[str, ...], *steps: Step, told: str) -> Attribute:
    """Put an attribute together: UNKNOWN stays what it is in each step, and a last one gives all up."""
    codes = (*finest, UNKNOWN)
    between = [Step(step.label, {**step.into, UNKNOWN: UNKNOWN}) for step in steps]
    return Attribute(code, title, codes, (*between, _given_up(codes)), told)


def _step(label: str, **forms: str) -> Step:
    """Write a step the short way round: each coarser code with its finest ones, parted by spaces."""
    return Step(label, {code: form.lstrip("_") for form, codes in forms.items() for code in codes.split()})


def _age_band(age: int, width: int) -> str:
    first_closed, first_open = _AGES[width]
    if age < first_closed:
        return f"under_{first_closed}"
    if age >= first_open:
        return f"{first_open}_and_over"
    first = age - age % width
    return f"{first}_{first + width - 1}"


def _ages(width: int) -> Step:
    """Coarsen the 5-year bands, each known by its first year of age."""
    label = "under 40, 40 and over" if width == 40 else f"{width}-year bands"
    return Step(label, {_age_band(first, 5): _age_band(first, width) for first in range(10, 65, 5)})


_AGE = _attribute(
    "age",
    "Age at the operation",
    tuple(_age_band(first, 5) for first in range(10, 65, 5)),
    *(_ages(width) for width in (10, 20, 40)),
    told="5-year bands",
)
_SEX = _attribute("sex", "Sex", ("female", "male", "other"), told="as recorded")
_SIDE = _attribute("side", "Side", ("left", "right"), told="as recorded")
_CAUSE = _attribute(
    "cause",
    "Cause of injury",
    ("pivoting_sport", "other_sport", "daily_living", "traffic", "work", "none_recalled"),
    _step(
        "sport, other, none recalled",
        sport="pivoting_sport other_sport",
        other="daily_living traffic work",
        none_recalled="none_recalled",
    ),
    told="six causes",
)
_LIGAMENT = _attribute(
    "ligament",
    "Concomitant ligament surgery",
    ("none", "same_operation", "staged_later", "staged_earlier"),
    _step("with or without", none="none", with_surgery="same_operation staged_later staged_earlier"),
    told="none, same operation, staged",
)
# Bands of the World Health Organization (Technical Report Series 894, 2000), obesity from class II together.
_BMI = _attribute(
    "bmi",
    "Body mass index",
    ("under_18_5", "18_5_24_9", "25_29_9", "30_34_9", "35_and_over"),
    _step(
        "under 25, 25 to 29.9, 30 and over",
        under_25="under_18_5 18_5_24_9",
        _25_29_9="25_29_9",
        _30_and_over="30_34_9 35_and_over",
    ),
    told="five bands",
)
_SMOKING = _attribute(
    "smoking",
    "Smoking",
    ("never", "former", "current"),
    _step("current or not", current="current", not_current="never former"),
    told="never, former, current",
)
# Levels of Tegner and Lysholm, Clin Orthop 1985;198:43-9, in bands. Bands: common practice, no source.
_ACTIVITY = _attribute(
    "activity",
    "Activity before the injury (Tegner)",
    ("0_2", "3_4", "5_6", "7_8", "9_10"),
    _step("0 to 4, 5 to 10", _0_4="0_2 3_4", _5_10="5_6 7_8 9_10"),
    told="five bands",
)
_UNIT = Attribute("unit", "Unit", None, (_given_up(),), "by pseudonym")
_SURGEON = Attribute("surgeon", "Surgeon", None, (_given_up(),), "by pseudonym")

ATTRIBUTES: dict[str, Attribute] = {
    attribute.code: attribute
    for attribute in (
        *(_AGE, _SEX, _SIDE, _CAUSE, _LIGAMENT, _BMI, _SMOKING, _ACTIVITY),
        *(_UNIT, _SURGEON),
    )
}
