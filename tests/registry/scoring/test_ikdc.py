"""IKDC subjective: values worked out from the rule, its missing rule, and readings that would be wrong."""

import pytest

from registry.scoring.ikdc import IKDC

CODES = [
    "PERF", "PAIN", "SEV", "STIFF", "SWELL", "LOCK", "GIVE", "PARTIC", "UPSTRS",
    "DNSTRS", "KNEEL", "SQUAT", "SIT", "RISE", "RUN", "JUMP", "STOP", "CRFUNC",
]  # fmt: skip
MOST = dict(zip(CODES, [4, 10, 10, 4, 4, 1, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 10], strict=True))
X = dict(zip(CODES, [2, 7, 6, 3, 3, 1, 3, 2, 3, 3, 2, 2, 4, 3, 2, 2, 2, 6], strict=True))  # raw 56 of 87


def as_marked(points: dict[str, int]) -> dict[str, int]:
    """The form's marks from points: pain and its strength are marked 0 for none, which is 10 points."""
    return {code: 10 - value if code in ("PAIN", "SEV") else value for code, value in points.items()}


def total(points: dict[str, int]) -> float | None:
    return IKDC.values(as_marked(points)).get("total")


def without(*codes: str) -> dict[str, int]:
    return {code: value for code, value in X.items() if code not in codes}


@pytest.mark.parametrize(
    ("points", "score"),
    [
        (MOST, 100),
        (dict.fromkeys(CODES, 0), 0),
        # Raw 20, the least of 198 published examples: hymelam/questionnaire-scoring_ikdc @212cdcb9
        (dict.fromkeys(CODES, 0) | {"PAIN": 10, "CRFUNC": 10}, 22.98851),
        (MOST | {"PAIN": 0, "SEV": 0, "CRFUNC": 3}, 68.9655),  # raw 60
        (X, 64.3678),  # 56 of 87
        (without("JUMP", "STOP"), 65.8228),  # 52 of 79
        (without("PAIN", "SEV"), 64.1791),  # 43 of 67
        (without("LOCK"), 63.9535),  # 55 of 86
    ],
)
def test_points_over_the_most_that_the_answered_items_could_give(
    points: dict[str, int], score: float
) -> None:
    """Computed from the rule as told in hymelam/questionnaire-scoring_ikdc, README."""
    assert total(points) == pytest.approx(score, abs=5e-5)


def test_missing_items_leave_the_divisor_too() -> None:
    """43 over 87 would be 49.4253."""
    assert total(without("PAIN", "SEV")) != pytest.approx(49.4253, abs=1)


def test_sixteen_answers_are_enough_and_fifteen_are_not() -> None:
    """Nine tenths of 18 are 16.2, yet the rule is 16 and not 17 (same README)."""
    assert total(without("JUMP", "STOP")) is not None
    assert total(without("JUMP", "STOP", "RUN")) is None
    (score,) = IKDC.scores(as_marked(without("JUMP", "STOP", "RUN")))
    assert str(score) == "not scorable (15 of 18)"


def test_pain_is_reversed_once() -> None:
    """On the form 0 is no pain; it is kept so, and scored so."""
    no_pain = MOST | {"PAIN": 0, "SEV": 0}
    assert IKDC.values(no_pain) == {"total": 100}
    assert IKDC.values(MOST) == {"total": pytest.approx(100 * 67 / 87)}
    (by_one_mark,) = IKDC.values(no_pain | {"PAIN": 1}).values()
    assert 100 - by_one_mark == pytest.approx(1.1494, abs=5e-5)  # one step of a complete form, computed


def test_what_is_marked_is_left_as_it_is() -> None:
    answers = as_marked(X)
    IKDC.scores(answers)
    assert answers == as_marked(X)


def test_a_form_counted_from_one_does_not_fit() -> None:
    """Early papers: raw 18 to 105, (raw - 18) / 87 (from memory). Its best form is refused, not misread."""
    refused = IKDC.problems({code: value + 1 for code, value in MOST.items()})
    assert len(refused) == 18
    assert IKDC.problems(as_marked(X)) == []


@pytest.mark.parametrize(
    ("answers", "refused"),
    [
        ({"LOCK": 2}, "LOCK: 2 is not allowed; IKDC subjective takes one of 0, 1."),
        ({"PAIN": 11}, "PAIN: 11 is not allowed; IKDC subjective takes whole numbers from 0 to 10."),
        ({"PERF": 5}, "PERF: 5 is not allowed; IKDC subjective takes whole numbers from 0 to 4."),
    ],
)
def test_answers_off_the_form_are_refused(answers: dict[str, int], refused: str) -> None:
    assert IKDC.problems(answers) == [refused]


def test_the_form_adds_up_to_87() -> None:
    """1 + 56 + 30 (same README)."""
    assert {item.code: max(item.allowed) for item in IKDC.items} == MOST
    assert sum(MOST.values()) == 87
