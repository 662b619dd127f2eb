"""ACL-RSI: tenths made a score of 0 to 100, all twelve needed."""

import pytest

from registry.scoring.acl_rsi import ACL_RSI

CODES = [f"q{number}" for number in range(1, 13)]


@pytest.mark.parametrize(("answer", "score"), [(7, 70), (0, 0), (10, 100)])
def test_the_same_answer_everywhere(answer: int, score: float) -> None:
    """Computed from the mean on 0 to 100: physiotutors.com, page acl-rsi. Answers of 0 to 10 go times ten."""
    assert ACL_RSI.values(dict.fromkeys(CODES, answer)) == {"total": score}


def test_tenths_are_not_read_as_hundredths_nor_the_other_way() -> None:
    assert ACL_RSI.values(dict.fromkeys(CODES, 7)) != {"total": 7}
    assert ACL_RSI.problems({"q1": 70}) == [
        "q1: 70 is not allowed; ACL-RSI takes whole numbers from 0 to 10."
    ]


def test_all_twelve_are_needed() -> None:
    """No missing rule is published."""
    (score,) = ACL_RSI.scores(dict.fromkeys(CODES[:11], 7))
    assert (score.value, str(score)) == (None, "not scorable (11 of 12)")
