"""What an instrument is: items with their allowed values, a missing rule and a way to score. Pure."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Item:
    """One item by code and short neutral label (wording is the licence holder's), with allowed values."""

    code: str
    label: str
    allowed: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Instrument:
    """A scored form. `score` gives None when too few items are answered: not scorable is never 0."""

    code: str
    name: str
    version: str
    items: tuple[Item, ...]
    lowest: float
    highest: float
    reference: str
    licence: str
    scorer: Callable[[Mapping[str, int]], float | None]

    def score(self, answers: Mapping[str, int]) -> float | None:
        """The value from the answered items (code to value), or None when not scorable."""
        return self.scorer(answers)

    def problems(self, answers: Mapping[str, object]) -> list[str]:
        """One sentence for each answer that is no item of the form or no allowed value of its item."""
        allowed = {item.code: item.allowed for item in self.items}
        return [
            f"{code}: {value!r} is not allowed; {self.name} takes {_options(allowed.get(code))}."
            for code, value in answers.items()
            if type(value) is not int or value not in allowed.get(code, ())
        ]


def _options(values: tuple[int, ...] | None) -> str:
    return "no such item" if values is None else "one of " + ", ".join(map(str, values))
