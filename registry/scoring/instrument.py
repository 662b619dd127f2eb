"""What an instrument is: items in groups, scales worked out from them, and the rules that do so. Pure."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

MOST_CHOICES = 11  # a scale of 0 to 10 is still ticked; anything longer is keyed in or slid
TOTAL = "total"  # code of the scale that sums up a whole form; some forms have none
NUMBERED_FROM = 4  # a run of at least so many neighbours is told by its ends


class Direction(Enum):
    """What a higher score says about the patient."""

    HIGHER_IS_BETTER = "higher is better"
    LOWER_IS_BETTER = "lower is better"
    HIGHER_IS_MORE_ACTIVE = "higher is more active, not a better knee"


@dataclass(frozen=True, slots=True)
class Item:
    """One item by code and short neutral label (wording is the licence holder's), with allowed values."""

    code: str
    label: str
    allowed: Sequence[int]

    @property
    def is_choice(self) -> bool:
        """Whether its values are few enough to be offered one by one."""
        return len(self.allowed) <= MOST_CHOICES


@dataclass(frozen=True, slots=True)
class Group:
    """Items that are asked on one screen. Together the groups hold every item once, in form order."""

    label: str
    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Scale:
    """A number that the instrument yields, with the codes of the items that it is worked out from."""

    code: str
    name: str
    items: tuple[str, ...]
    lowest: float
    highest: float
    direction: Direction


def percent_scale(code: str, name: str, items: tuple[str, ...]) -> Scale:
    """A scale from 0, the worst, to 100, the best: the usual one."""
    return Scale(code, name, items, 0, 100, Direction.HIGHER_IS_BETTER)


@dataclass(frozen=True, slots=True)
class ScaleScore:
    """A scale's value, unrounded, or None where too few items are answered. Not scorable is never 0."""

    scale: Scale
    value: float | None
    answered: int

    @property
    def of(self) -> int:
        """How many items the scale is worked out from."""
        return len(self.scale.items)

    def __str__(self) -> str:
        if self.value is None:
            return f"not scorable ({self.answered} of {self.of})"
        return f"{round(self.value, 1):g}"


# From the answered items (code to value) to the value of each scale by code.
Rule = Callable[[Mapping[str, int]], Mapping[str, float | None]]


@dataclass(frozen=True, slots=True)
class Instrument:
    """A scored form. `rules` holds a scorer for each version of the published rule, the current one first."""

    code: str
    name: str
    items: tuple[Item, ...]
    groups: tuple[Group, ...]
    scales: tuple[Scale, ...]
    rules: Mapping[str, Rule]
    reference: str
    licence: str
    profile: Callable[[Mapping[str, int]], str | None] | None = None

    @property
    def version(self) -> str:
        """The version that scores what is answered now."""
        return next(iter(self.rules))

    def item(self, code: str) -> Item:
        """The item of that code; KeyError where the form has none."""
        return {item.code: item for item in self.items}[code]

    def scores(self, answers: Mapping[str, int], version: str | None = None) -> tuple[ScaleScore, ...]:
        """Score every scale, in order, by the current or the named version of the rule.

        Parameters
        ----------
        answers
            Value by item code, as `problems` lets through; an unanswered item is absent.
        version
            A key of `rules`; ValueError where there is none such.
        """
        values = self._rule(version)(answers)
        return tuple(
            ScaleScore(scale, values[scale.code], sum(code in answers for code in scale.items))
            for scale in self.scales
        )

    def values(self, answers: Mapping[str, int], version: str | None = None) -> dict[str, float]:
        """The unrounded value of each scale that could be scored, by its code."""
        return {
            score.scale.code: score.value
            for score in self.scores(answers, version)
            if score.value is not None
        }

    def problems(self, answers: Mapping[str, object]) -> list[str]:
        """One sentence for each answer that is no item of the form or no allowed value of its item."""
        allowed = {item.code: item.allowed for item in self.items}
        return [
            f"{code}: {value!r} is not allowed; {self.name} takes {_options(allowed.get(code))}."
            for code, value in answers.items()
            if type(value) is not int or value not in allowed.get(code, ())
        ]

    def _rule(self, version: str | None) -> Rule:
        if version is None:
            version = self.version
        if version not in self.rules:
            known = ", ".join(self.rules)
            raise ValueError(f"{self.name} has no version '{version}'. Choose: {known}.")
        return self.rules[version]


def _options(values: Sequence[int] | None) -> str:
    if values is None:
        return "no such item"
    if isinstance(values, range) and len(values) >= NUMBERED_FROM:
        return f"whole numbers from {values[0]} to {values[-1]}"
    return "one of " + ", ".join(map(str, values))
