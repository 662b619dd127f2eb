"""SANE: the one answer is the score."""

import pytest

from registry.scoring.instrument import Direction
from registry.scoring.sane import SANE


@pytest.mark.parametrize("percent", [0, 1, 50, 100])
def test_the_score_is_the_answer(percent: int) -> None:
    """0 to 100 percent of normal, higher better: scholarworks.atsu.edu/at-faculty/282."""
    assert SANE.problems({"percent": percent}) == []
    assert SANE.values({"percent": percent}) == {"total": percent}
    assert SANE.scales[0].direction is Direction.HIGHER_IS_BETTER


def test_no_answer_is_not_0() -> None:
    assert SANE.values({}) == {}


@pytest.mark.parametrize("percent", [-1, 101, 0.85])
def test_answers_off_the_scale_are_refused(percent: object) -> None:
    assert SANE.problems({"percent": percent}) == [
        f"percent: {percent!r} is not allowed; SANE takes whole numbers from 0 to 100."
    ]
