"""Tegner: the level itself, whole numbers alone, and more active is not better."""

import pytest

from registry.scoring.instrument import Direction
from registry.scoring.tegner import TEGNER


def test_the_score_is_the_level() -> None:
    """J ISAKOS, table 2, markup 138732: one level from 0 to 10."""
    for level in range(11):
        assert TEGNER.problems({"level": level}) == []
        assert TEGNER.values({"level": level}) == {"total": level}


def test_no_level_is_not_level_0() -> None:
    (score,) = TEGNER.scores({})
    assert (score.value, str(score)) == (None, "not scorable (0 of 1)")


@pytest.mark.parametrize("level", [-1, 11, 6.5, "6", True, None])
def test_nothing_but_whole_levels(level: object) -> None:
    assert TEGNER.problems({"level": level}) == [
        f"level: {level!r} is not allowed; Tegner takes whole numbers from 0 to 10."
    ]


def test_a_higher_level_is_more_activity_and_no_better_knee() -> None:
    assert TEGNER.scales[0].direction is Direction.HIGHER_IS_MORE_ACTIVE
