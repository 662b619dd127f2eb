"""Pedi-IKDC: the printed example, its missing rule, and readings that would be wrong."""

import pytest

from registry.scoring.pedi_ikdc import PEDI_IKDC

MOST = {
    "q1": 4, "q2": 10, "q3": 10, "q4": 4, "q5": 4, "q6": 4, "q7": 1, "q8": 1, "q9": 4, "q10": 4,
    "q11a": 4, "q11b": 4, "q11c": 4, "q11d": 4, "q11e": 4, "q11f": 4, "q11g": 4, "q11h": 4, "q11i": 4,
    "q13": 10,
}  # fmt: skip
RAW_60 = MOST | {"q2": 0, "q3": 0, "q10": 0, "q13": 2}


def as_marked(points: dict[str, int]) -> dict[str, int]:
    """The form's marks from points: items 2 and 3 are marked 0 for none, which is 10 points."""
    return {code: 10 - value if code in ("q2", "q3") else value for code, value in points.items()}


def total(points: dict[str, int]) -> float | None:
    return PEDI_IKDC.values(as_marked(points)).get("total")


def test_the_printed_example() -> None:
    """Raw 60 is 60 / 92 x 100: scribd.com/document/522515461, the scoring instructions."""
    assert sum(RAW_60.values()) == 60
    assert total(RAW_60) == pytest.approx(65.2174, abs=5e-5)
    (score,) = PEDI_IKDC.scores(as_marked(RAW_60))
    assert str(score) == "65.2"


def test_both_ends() -> None:
    """Computed."""
    assert total(MOST) == 100
    assert total(dict.fromkeys(MOST, 0)) == 0


def test_the_form_adds_up_to_92_over_20_items() -> None:
    """Same instructions; items as in rdrr.io/github/mccartqm/proms, page pedi_ikdc."""
    assert {item.code: max(item.allowed) for item in PEDI_IKDC.items} == MOST
    assert (sum(MOST.values()), len(MOST)) == (92, 20)


def test_pain_is_reversed_once() -> None:
    """Items 2 and 3, same instructions."""
    assert PEDI_IKDC.values(MOST | {"q2": 0, "q3": 0}) == {"total": 100}
    assert PEDI_IKDC.values(MOST) == {"total": pytest.approx(100 * 72 / 92)}


def test_item_12_is_not_taken() -> None:
    """Not scored, same instructions."""
    assert PEDI_IKDC.problems({"q12": 4}) == ["q12: 4 is not allowed; Pedi-IKDC takes no such item."]


def test_two_may_be_missing_and_three_may_not() -> None:
    """rdrr.io, same page. The divisor then is what the answered items could give, as for IKDC; computed."""
    two_less = {code: value for code, value in RAW_60.items() if code not in ("q1", "q13")}
    assert total(two_less) == pytest.approx(100 * 54 / 78)
    assert total(two_less) != pytest.approx(100 * 54 / 92, abs=1)
    assert total({code: value for code, value in two_less.items() if code != "q4"}) is None


@pytest.mark.parametrize("answers", [{"q7": 2}, {"q8": 2}, {"q1": 5}, {"q13": 11}])
def test_answers_off_the_form_are_refused(answers: dict[str, int]) -> None:
    assert len(PEDI_IKDC.problems(answers)) == 1
    assert PEDI_IKDC.problems(as_marked(RAW_60)) == []
