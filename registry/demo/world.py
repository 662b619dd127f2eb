"""What every part of a story draws from: truth, calendar, the patient's dice, the failures' draws. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from uuid import UUID

from registry.demo.cast import UnitPart
from registry.demo.dice import DAYS_PER_YEAR, Dice, EvenDraws
from registry.demo.shapes import Shares, from_threshold
from registry.demo.truth import Truth


def after(day: date, days: int) -> date:
    return day + timedelta(days)


@dataclass(frozen=True)
class World:
    truth: Truth
    # The last day that may have happened: the day before the scenario's `until`.
    closing: date
    dice: Dice
    failures: EvenDraws
    dice_of_details: Dice
    dice_of_reviews: Dice
    # The plan of each unit, and whether it runs anew from a staged ligament operation.
    units: Mapping[str, UnitPart]

    @cached_property
    def details(self) -> "World":
        """The same world for whatever decides nothing: its draws move nothing else in the story."""
        return replace(self, dice=self.dice_of_details)

    @cached_property
    def reviewing(self) -> "World":
        """The same world for what is asked at reviews, apart from operations and visits."""
        return replace(self, dice=self.dice_of_reviews)

    @cached_property
    def opening(self) -> date:
        """First day of the scenario's first year."""
        years = len(self.truth.calendar.operations_by_year.codes)
        return after(self.closing, 1 - round(years * DAYS_PER_YEAR))

    def year(self, day: date) -> int:
        """Year of the scenario, from 1."""
        return 1 + int((day - self.opening).days / DAYS_PER_YEAR)

    def entered(self, on: date, not_before: datetime | None = None) -> datetime:
        """When something of that day was typed in: soon after, and not before what it belongs to."""
        calendar = self.truth.calendar
        lag = int(self.dice.pick(calendar.entry_lag_days))
        entered = self.hour_of(min(after(on, lag), self.closing))
        return max(entered, not_before) if not_before else entered

    def operation_entered(self, on: date) -> datetime:
        """As `entered`, but for some operations only later, from old notes."""
        calendar = self.truth.calendar
        if self.dice.chance(from_threshold(calendar.entered_late_from_year, self.year(on))):
            late = after(on, self.dice.within(calendar.late_entry_days))
            if late <= self.closing:
                return self.hour_of(late)
        return self.entered(on)

    def hour_of(self, day: date) -> datetime:
        """An hour of that day at which somebody works."""
        hour = int(self.dice.pick(self.truth.calendar.entry_hour))
        return datetime(day.year, day.month, day.day, hour, self.dice.within((0, 59)), tzinfo=UTC)

    def uuid(self) -> UUID:
        """Of an entry."""
        return self.dice_of_details.uuid()

    def missing_or(self, missing: float, value: bool) -> bool | None:
        return None if self.dice.chance(missing) else value

    def grade(self, shares: Shares) -> int | None:
        """A number coded in shares, None for the empty code."""
        code = self.dice.pick(shares)
        return int(code) if code else None
