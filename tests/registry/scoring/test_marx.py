"""Marx activity: sums of all four, and more active is not better."""

import pytest

from registry.scoring.instrument import Direction
from registry.scoring.marx import MARX

CODES = ["running", "cutting", "decelerating", "pivoting"]


@pytest.mark.parametrize(("given", "total"), [((4, 4, 4, 4), 16), ((3, 2, 2, 1), 8), ((0, 0, 0, 0), 0)])
def test_the_sum_of_the_four(given: tuple[int, ...], total: int) -> None:
    """Computed from the sum of 0 to 16: J ISAKOS, table 2, markup 138732."""
    answers = dict(zip(CODES, given, strict=True))
    assert MARX.problems(answers) == []
    assert MARX.values(answers) == {"total": total}


def test_all_four_are_needed() -> None:
    """From memory."""
    (score,) = MARX.scores(dict.fromkeys(CODES[:3], 4))
    assert (score.value, str(score)) == (None, "not scorable (3 of 4)")


def test_a_higher_sum_is_more_activity_and_no_better_knee() -> None:
    assert MARX.scales[0].direction is Direction.HIGHER_IS_MORE_ACTIVE


def test_frequencies_off_the_form_are_refused() -> None:
    assert MARX.problems({"cutting": 5}) == [
        "cutting: 5 is not allowed; Marx activity takes whole numbers from 0 to 4."
    ]
