"""KOOS-12: values worked out from the rule, and its missing rule."""

import pytest

from registry.scoring.koos12 import KOOS12

# The answers of the KOOS example. Which items of KOOS make KOOS-12: from memory.
PAIN = {"P1": 1, "P5": 0, "P6": 1, "P8": 0}
FUNCTION = {"A3": 0, "A4": 0, "A7": 1, "SP4": 2}
QUALITY_OF_LIFE = {"Q1": 3, "Q2": 2, "Q3": 1, "Q4": 2}
WHOLE = PAIN | FUNCTION | QUALITY_OF_LIFE


def test_a_whole_form() -> None:
    """Computed; the summary as the mean of the three: yhocphuchoi.com, page on KOOS-12."""
    assert KOOS12.values(WHOLE) == pytest.approx(
        {"pain": 87.5, "function": 81.25, "qol": 50, "summary": 72.9167}, abs=5e-5
    )


def test_two_answers_of_four_are_enough() -> None:
    """Rule: www.koos.nu/koos12pres.html; score computed."""
    assert KOOS12.values({"P1": 1, "P5": 0}) == {"pain": 87.5}
    assert KOOS12.values({"P1": 1}) == {}


@pytest.mark.parametrize("lacking", [PAIN, FUNCTION, QUALITY_OF_LIFE])
def test_the_summary_needs_all_three(lacking: dict[str, int]) -> None:
    """From memory."""
    answers = {code: value for code, value in WHOLE.items() if code not in lacking}
    assert "summary" not in KOOS12.values(answers)
    assert len(KOOS12.values(answers)) == 2


@pytest.mark.parametrize(("answer", "score"), [(0, 100), (2, 50), (4, 0)])
def test_the_same_answer_everywhere(answer: int, score: float) -> None:
    """Computed."""
    assert set(KOOS12.values(dict.fromkeys(WHOLE, answer)).values()) == {score}


def test_answers_off_the_form_are_refused() -> None:
    assert KOOS12.problems({"P1": 5}) == ["P1: 5 is not allowed; KOOS-12 takes whole numbers from 0 to 4."]
    assert KOOS12.problems({"P2": 1}) == ["P2: 1 is not allowed; KOOS-12 takes no such item."]
    assert KOOS12.problems(WHOLE) == []
