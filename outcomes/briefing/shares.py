"""What the sentences of a briefing are made of: a share failed with its interval, and words for days."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

from outcomes import wording
from outcomes.estimators.survival import LANDMARK_DAYS, Landmark
from outcomes.results import Group

# 2 years before 1: the least follow-up asked of revision (J ISAKOS guidance, table 4).
HEADLINE_YEARS = (2, 1)


@dataclass(frozen=True, slots=True)
class Share:
    """A share failed by a day, 0 to 1, with its limits; None where one cannot be had.

    A curve that is read before its first time has limits without width, which are none.
    """

    failed: float | None
    lower: float | None
    upper: float | None

    @classmethod
    def of(cls, point: Landmark) -> Self:
        """The complement of a survival; its limits change places."""
        standing = (point.survival, point.upper, point.lower)
        return cls(*(None if found is None else 1 - found for found in standing))

    @property
    def limits(self) -> tuple[float, float] | None:
        """Both limits, or None."""
        if self.lower is None or self.upper is None or self.lower == self.upper:
            return None
        return self.lower, self.upper

    @property
    def is_told(self) -> bool:
        """Whether it can be said: with its interval as a per cent, or as no failure at all."""
        return self.limits is not None or self.failed == 0

    def __str__(self) -> str:
        """As "12.3 % (7.9 to 18.9)"; without limits no per cent is written."""
        if self.limits:
            lower, upper = self.limits
            return wording.with_limits(self.failed, lower, upper)
        return {None: wording.NOT_REACHED, 0.0: "no failure"}.get(self.failed, "a share without interval")

    def had_failed(self, by: str) -> str:
        """What had failed by then, as a clause."""
        if self.limits:
            return f"{self} had failed {by}"
        known = {0.0: f"none had failed {by}", 1.0: f"none was left standing {by}"}
        return known.get(self.failed or 0.0, f"no interval can be had for the share failed {by}")


@dataclass(frozen=True, slots=True)
class Reference:
    """What the share failed is set beside: that of `n` repairs, read at day `at`.

    `label` says whose it is: "the briefing of 3 May 2025", to follow "the 12.3 % (7.9 to 18.9) of".
    """

    label: str
    n: int
    at: float
    share: Share


def headline_point(group: Group) -> Landmark | None:
    """Where the headline reads the curve: at 2 years, else at 1; None where neither is reached."""
    points = (group.curve.at(LANDMARK_DAYS[years]) for years in HEADLINE_YEARS)
    return next((point for point in points if point.survival is not None), None)


def when(day: float) -> str:
    """A day after the repair as years where it is a landmark, else in months."""
    years = next((years for years, days in LANDMARK_DAYS.items() if days == day), None)
    return wording.counted(years, "year") if years else f"{wording.months(day)} months"
