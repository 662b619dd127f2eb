"""WOMET: values worked out from the rule, each scale whole or not at all, and which way it runs."""

import pytest

from registry.scoring.womet import WOMET

SYMPTOMS = {f"S{n}": v for n, v in enumerate([20, 30, 10, 40, 25, 15, 35, 50, 5], start=1)}
LIFESTYLE = {f"L{n}": v for n, v in enumerate([45, 55, 60, 30], start=1)}
EMOTIONS = {f"E{n}": v for n, v in enumerate([20, 10, 15], start=1)}
WHOLE = SYMPTOMS | LIFESTYLE | EMOTIONS


def test_a_whole_form() -> None:
    """Computed from (1600 - raw) / 1600: BJSM, markup 120302. That raw 0 is best: from memory."""
    assert sum(WHOLE.values()) == 465
    assert WOMET.values(WHOLE) == pytest.approx(
        {"symptoms": 74.4444, "lifestyle": 52.5, "emotions": 85, "total": 70.9375}, abs=5e-5
    )


@pytest.mark.parametrize(("answer", "score"), [(0, 100), (50, 50), (100, 0)])
def test_the_same_answer_everywhere(answer: int, score: float) -> None:
    """Computed."""
    assert set(WOMET.values(dict.fromkeys(WHOLE, answer)).values()) == {score}


def test_the_scales_are_of_9_4_3_and_all_16_items() -> None:
    """PubMed 17873546."""
    assert [len(scale.items) for scale in WOMET.scales] == [9, 4, 3, 16]


def test_one_missing_answer_takes_its_domain_and_the_total() -> None:
    """No missing rule is published: all are needed."""
    answers = {code: value for code, value in WHOLE.items() if code != "E3"}
    assert WOMET.values(answers).keys() == {"symptoms", "lifestyle"}
    assert str(WOMET.scores(answers)[-1]) == "not scorable (15 of 16)"


def test_a_change_in_raw_points_is_a_sixteenth_of_it_and_the_other_way() -> None:
    """Detectable change of 347 raw points (doi 10.1007/s00167-021-06551-6) is 21.69 percent; computed."""
    best = dict.fromkeys(WHOLE, 0)
    worse = best | {"S1": 100, "S2": 100, "S3": 100, "S4": 47}
    change = WOMET.values(worse)["total"] - WOMET.values(best)["total"]
    assert change == pytest.approx(-21.69, abs=5e-3)


@pytest.mark.parametrize("value", [-1, 101, 20.5])
def test_marks_off_the_line_are_refused(value: object) -> None:
    assert WOMET.problems({"S1": value}) == [
        f"S1: {value!r} is not allowed; WOMET takes whole numbers from 0 to 100."
    ]
    assert WOMET.problems(WHOLE) == []
