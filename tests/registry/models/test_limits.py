"""Limits on single values: which days have begun."""

from datetime import UTC, date, datetime

import pytest
import time_machine
from django.core.exceptions import ValidationError

from registry.models.limits import not_in_future, told


@pytest.mark.parametrize(
    ("now", "last"),
    [
        # UTC+14 is the easternmost offset of the time-zone database (Pacific/Kiritimati).
        (datetime(2024, 6, 15, 9, 59, tzinfo=UTC), date(2024, 6, 15)),
        (datetime(2024, 6, 15, 10, 0, tzinfo=UTC), date(2024, 6, 16)),
        (datetime(2024, 12, 31, 23, 0, tzinfo=UTC), date(2025, 1, 1)),
    ],
)
def test_a_day_that_has_begun_somewhere_is_not_in_the_future(now: datetime, last: date) -> None:
    with time_machine.travel(now, tick=False):
        not_in_future(last)
        with pytest.raises(ValidationError) as refusal:
            not_in_future(date.fromordinal(last.toordinal() + 1))
    (words,) = refusal.value.messages
    assert words.startswith(f"{told(date.fromordinal(last.toordinal() + 1))} lies in the future")
    assert told(last) in words
