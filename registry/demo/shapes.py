"""Shapes that facts of the scenario take: shares of codes, spreads of numbers, values by threshold. Pure."""

from bisect import bisect
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from itertools import accumulate
from typing import Self, TypeVar

Value = TypeVar("Value")
Days = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Shares:
    """How often each code occurs; the shares add up to 1. The empty code stands for "not recorded"."""

    codes: tuple[str, ...]
    cumulative: tuple[float, ...]

    @classmethod
    def of(cls, shares: Mapping[str, float], name: str) -> Self:
        total = sum(shares.values())
        if min(shares.values()) < 0 or abs(total - 1) > 1e-9:
            raise ValueError(
                f"{name}: shares {dict(shares)} add up to {total:g}. Make them add up to 1, none negative."
            )
        return cls(tuple(shares), tuple(accumulate(shares.values()))[:-1])

    def at(self, position: float) -> str:
        """The code at a position in [0, 1)."""
        return self.codes[bisect(self.cumulative, position)]


@dataclass(frozen=True, slots=True)
class Spread:
    """A normal spread cut off at `low` and `high`."""

    mean: float
    sd: float
    low: float
    high: float

    def at(self, deviate: float) -> float:
        """The value at a standard normal deviate."""
        value = self.mean + self.sd * deviate
        return self.low if value < self.low else min(value, self.high)


def from_threshold(values: Mapping[int, Value], at: float) -> Value:
    """The value of the highest threshold that `at` reaches; thresholds stand in ascending order."""
    return values[max(threshold for threshold in values if threshold <= at)]


def or_default(values: Mapping[str, Value], key: str) -> Value:
    """The value of a key, or that of "default" where the key has none of its own."""
    return values[key] if key in values else values["default"]


def tenths(value: float) -> Decimal:
    """As measured to one decimal."""
    return Decimal(round(value * 10)).scaleb(-1)
