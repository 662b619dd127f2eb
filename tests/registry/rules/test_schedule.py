"""Which planned review a day belongs to. Windows are common practice, no published source."""

from itertools import pairwise

import pytest

from registry.rules.schedule import DEFAULT_PLAN, time_point

# Due day and window each way, in days: 6 weeks +/- 2, then months (of 365.25 / 12 days) 3 +/- 4 weeks,
# 6 +/- 6, 12 +/- 8, 24 +/- 12, 60 and 120 +/- 26 weeks.
WINDOWS = {
    "6w": (42, 14),
    "3m": (91, 28),
    "6m": (183, 42),
    "12m": (365, 56),
    "24m": (730, 84),
    "60m": (1826, 182),
    "120m": (3652, 182),
}


def test_the_plan_is_the_one_written_here() -> None:
    assert {review.code: (review.due_day, review.window_days) for review in DEFAULT_PLAN} == WINDOWS


@pytest.mark.parametrize(("code", "due", "window"), [(code, *days) for code, days in WINDOWS.items()])
def test_window_edges(code: str, due: int, window: int) -> None:
    assert time_point(due) == code
    assert time_point(due - window) == code
    assert time_point(due + window) == code
    assert time_point(due - window - 1) != code
    assert time_point(due + window + 1) != code


def test_windows_do_not_overlap() -> None:
    edges = [(due - window, due + window) for due, window in WINDOWS.values()]
    assert all(end < start for (_, end), (start, _) in pairwise(edges))


@pytest.mark.parametrize("day", [0, 27, 57, 62, 120, 140, 226, 308, 4000])
def test_between_the_windows_a_visit_is_unplanned(day: int) -> None:
    assert time_point(day) == "unplanned"
