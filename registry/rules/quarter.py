"""Quarters of a year, as audit periods count them."""

from dataclasses import dataclass
from datetime import date
from typing import Self


@dataclass(frozen=True, slots=True, order=True)
class Quarter:
    """One quarter, numbered 1 to 4."""

    year: int
    number: int

    @classmethod
    def of(cls, day: date) -> Self:
        return cls(day.year, (day.month + 2) // 3)

    @property
    def first_day(self) -> date:
        return date(self.year, 3 * self.number - 2, 1)

    @property
    def code(self) -> str:
        """As an address carries it."""
        return f"{self.year}-Q{self.number}"

    def __str__(self) -> str:
        return f"{self.year} Q{self.number}"

    def plus(self, quarters: int) -> "Quarter":
        """So many quarters later, or earlier when negative."""
        year, number = divmod(4 * self.year + self.number - 1 + quarters, 4)
        return Quarter(year, number + 1)


def up_to(last: Quarter, count: int) -> list[Quarter]:
    """So many quarters in order, of which `last` is the last."""
    return [last.plus(-back) for back in range(count - 1, -1, -1)]
