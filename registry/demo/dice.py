"""Chance, seeded. Pure.

Every patient has three streams of their own: Philox generators keyed by seed and patient number, one for the
course of their knees, one for details that leave the course alone and one for what is asked at reviews. Only
the times to failure come from one stream for all patients of a part, because they are balanced across them.
"""

from collections.abc import Callable, Hashable, Iterator
from itertools import count
from math import log1p
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from registry.demo.shapes import Days, Shares, Spread

DAYS_PER_YEAR = 365.25
NEVER_DAYS = 36_500
# Of the streams of details and of reviews: far beyond the number of any patient.
DETAILS = 1 << 48
REVIEWS = 2 << 48
# Of the failures' streams, but for that of the first part.
FAILURES = 3 << 48
_BLOCK = 256
_GOLDEN = (5**0.5 - 1) / 2


class Dice:
    """One seeded stream of draws."""

    def __init__(self, seed: int, number: int) -> None:
        self._generator = np.random.Generator(np.random.Philox(key=[seed, number]))
        # Drawn in blocks: one call to numpy for each single number would cost most of the time.
        # In [0, 1).
        self.uniform: Callable[[], float] = self._blocks(self._generator.random).__next__
        self.normal: Callable[[], float] = self._blocks(self._generator.standard_normal).__next__

    @staticmethod
    def _blocks(draw: Callable[[int], NDArray[np.float64]]) -> Iterator[float]:
        while True:
            yield from draw(_BLOCK).tolist()

    def chance(self, probability: float) -> bool:
        return self.uniform() < probability

    def pick(self, shares: Shares) -> str:
        return shares.at(self.uniform())

    def within(self, days: Days) -> int:
        """A whole number from `days`, both ends included."""
        low, high = days
        return low + int(self.uniform() * (high - low + 1))

    def spread(self, spread: Spread) -> float:
        return spread.at(self.normal())

    def whole(self, spread: Spread) -> int:
        return round(spread.at(self.normal()))

    def wait(self, per_year: float) -> int:
        """Days until something that happens at a constant rate, at most NEVER_DAYS."""
        log_left = -log1p(-self.uniform())
        return min(int(log_left / per_year * DAYS_PER_YEAR), NEVER_DAYS) if per_year else NEVER_DAYS

    def uuid(self) -> UUID:
        high, low = self._generator.bit_generator.random_raw(2).tolist()
        return UUID(int=high << 64 | low, version=4)


class EvenDraws:
    """Uniforms that run evenly through [0, 1) within each cell: a golden-ratio sequence from a random start.

    Not balanced, they are independent. The cells are told in the order in which they first appear.
    """

    def __init__(self, seed: int, part: int, balanced: bool) -> None:
        # Patients are numbered from 1, so stream 0 is free.
        self._dice = Dice(seed, FAILURES + part if part else 0)
        self._balanced = balanced
        self._cells: dict[Hashable, tuple[float, Iterator[int]]] = {}

    def draw(self, cell: Hashable) -> float:
        if not self._balanced:
            return self._dice.uniform()
        if cell not in self._cells:
            self._cells[cell] = (self._dice.uniform(), count())
        start, places = self._cells[cell]
        return (start + next(places) * _GOLDEN) % 1
