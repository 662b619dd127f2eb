"""KOOS and KOOS4: values worked out from the rules, both missing rules, and readings that would be wrong."""

import pytest

from registry.scoring.koos import KOOS

PAIN = dict(zip([f"P{n}" for n in range(1, 10)], [1, 2, 0, 1, 0, 1, 0, 0, 1], strict=True))
SYMPTOMS = dict(zip([f"S{n}" for n in range(1, 8)], [1, 1, 0, 0, 1, 1, 2], strict=True))
DAILY = [1, 0, 0, 0, 1, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 2, 0]
DAILY_LIVING = dict(zip([f"A{n}" for n in range(1, 18)], DAILY, strict=True))
SPORT = dict(zip([f"SP{n}" for n in range(1, 6)], [2, 2, 3, 2, 3], strict=True))
QUALITY_OF_LIFE = dict(zip([f"Q{n}" for n in range(1, 5)], [3, 2, 1, 2], strict=True))
WHOLE = PAIN | SYMPTOMS | DAILY_LIVING | SPORT | QUALITY_OF_LIFE
SUBSCALES = {
    "pain": PAIN, "symptoms": SYMPTOMS, "adl": DAILY_LIVING, "sport": SPORT, "qol": QUALITY_OF_LIFE,
}  # fmt: skip

# The first so many of the answers above, enough by the rule of 2012, and their score.
AT_THE_LIMIT = [
    ("pain", 5, 80.0), ("symptoms", 4, 87.5), ("adl", 9, 91.6667), ("sport", 3, 41.6667), ("qol", 2, 37.5),
]  # fmt: skip
# Counts needed before: the scoring manual of August 2012 names them as the former rule.
NEEDED_IN_1998 = {"pain": 7, "symptoms": 5, "adl": 15, "sport": 3, "qol": 2}


def first(scale: str, count: int) -> dict[str, int]:
    return dict(list(SUBSCALES[scale].items())[:count])


def test_a_whole_form() -> None:
    """Computed from the rule of the August 2012 manual: 100 - mean x 100 / 4."""
    assert KOOS.values(WHOLE) == pytest.approx(
        {
            "pain": 83.3333,
            "symptoms": 78.5714,
            "adl": 91.1765,
            "sport": 40,
            "qol": 50,
            "koos4": 62.9762,
        },
        abs=5e-5,
    )


def test_koos4_leaves_daily_living_out() -> None:
    """The four are from memory (usage of Frobell 2010). With daily living it would be 68.6162 (computed)."""
    without = {code: value for code, value in WHOLE.items() if code not in DAILY_LIVING}
    assert KOOS.values(without)["koos4"] == KOOS.values(WHOLE)["koos4"]
    assert KOOS.values(WHOLE)["koos4"] != pytest.approx(68.6162, abs=0.1)


@pytest.mark.parametrize("lacking", ["pain", "symptoms", "sport", "qol"])
def test_koos4_needs_all_four(lacking: str) -> None:
    """From memory (usage of Frobell 2010)."""
    answers = {code: value for code, value in WHOLE.items() if code not in SUBSCALES[lacking]}
    assert KOOS.values(answers).keys() == KOOS.values(WHOLE).keys() - {"koos4", lacking}


def test_the_subscales_stand_by_themselves() -> None:
    """No total, by the manual of August 2012."""
    codes = [scale.code for scale in KOOS.scales]
    assert codes == ["pain", "symptoms", "adl", "sport", "qol", "koos4"]


@pytest.mark.parametrize(("answer", "score"), [(0, 100), (1, 75), (2, 50), (3, 25), (4, 0)])
def test_the_same_answer_everywhere(answer: int, score: float) -> None:
    """Computed."""
    values = KOOS.values(dict.fromkeys(WHOLE, answer))
    assert values == {scale.code: score for scale in KOOS.scales}


@pytest.mark.parametrize(("scale", "count", "score"), AT_THE_LIMIT)
def test_the_rule_of_2012_at_its_limit(scale: str, count: int, score: float) -> None:
    """Scores computed; counts of the August 2012 manual."""
    assert KOOS.values(first(scale, count)) == {scale: pytest.approx(score, abs=5e-5)}
    assert KOOS.values(first(scale, count - 1)) == {}


@pytest.mark.parametrize("scale", NEEDED_IN_1998)
def test_the_rule_of_1998_at_its_limit(scale: str) -> None:
    count = NEEDED_IN_1998[scale]
    enough, too_few = first(scale, count), first(scale, count - 1)
    assert KOOS.values(enough, "1998") == KOOS.values(enough, "2012") != {}
    assert KOOS.values(too_few, "1998") == {}


@pytest.mark.parametrize("scale", ["pain", "symptoms", "adl"])
def test_the_two_rules_disagree_about_old_data(scale: str) -> None:
    answers = first(scale, NEEDED_IN_1998[scale] - 1)
    assert scale in KOOS.values(answers, "2012")
    assert scale not in KOOS.values(answers, "1998")


def test_a_subscale_without_enough_answers_leaves_the_others_reported() -> None:
    """August 2012 manual. It is told as not scorable, and never as 0."""
    answers = SYMPTOMS | first("pain", 4)
    told = {score.scale.code: str(score) for score in KOOS.scores(answers)}
    assert told == {
        "pain": "not scorable (4 of 9)",
        "symptoms": "78.6",
        "adl": "not scorable (0 of 17)",
        "sport": "not scorable (0 of 5)",
        "qol": "not scorable (0 of 4)",
        "koos4": "not scorable (11 of 25)",
    }


@pytest.mark.parametrize("code", ["S4", "S5"])
def test_s4_and_s5_count_by_position_as_all_others(code: str) -> None:
    """From memory. Their anchors are worded the other way, the boxes are not: 0 is no problem."""
    best = dict.fromkeys(SYMPTOMS, 0)
    assert KOOS.values(best)["symptoms"] == 100
    # One step of seven items, computed.
    assert KOOS.values(best | {code: 1})["symptoms"] == pytest.approx(100 - 3.5714, abs=5e-5)


@pytest.mark.parametrize(
    ("scale", "code", "step"),
    [
        ("pain", "P1", 2.7778),
        ("symptoms", "S1", 3.5714),
        ("adl", "A1", 1.4706),
        ("sport", "SP1", 5),
        ("qol", "Q1", 6.25),
    ],
)
def test_one_box_further_is_one_step(scale: str, code: str, step: float) -> None:
    """Steps of complete forms, computed."""
    best = dict.fromkeys(WHOLE, 0)
    assert KOOS.values(best)[scale] - KOOS.values(best | {code: 1})[scale] == pytest.approx(step, abs=5e-5)


def test_scores_on_a_threshold_are_exactly_on_it() -> None:
    """75.0 (symptoms) and 80.0 (sport) are printed cuts passed by more than that (PubMed 33964390)."""
    best = dict.fromkeys(WHOLE, 0)
    assert KOOS.values(best | {"S1": 4, "S7": 3})["symptoms"] == 75.0
    assert KOOS.values(best | {"SP1": 4})["sport"] == 80.0
    assert KOOS.values(best | {"Q1": 4, "Q2": 3})["qol"] == 56.25


@pytest.mark.parametrize(
    ("answers", "refused"),
    [
        ({"P1": 5}, "P1: 5 is not allowed; KOOS takes whole numbers from 0 to 4."),
        ({"A17": -1}, "A17: -1 is not allowed; KOOS takes whole numbers from 0 to 4."),
        ({"P10": 1}, "P10: 1 is not allowed; KOOS takes no such item."),
    ],
)
def test_answers_off_the_form_are_refused(answers: dict[str, int], refused: str) -> None:
    assert KOOS.problems(answers) == [refused]


def test_the_form_has_42_items() -> None:
    """9 + 7 + 17 + 5 + 4: www.koos.nu/koosfaq.html."""
    assert {item.code for item in KOOS.items} == WHOLE.keys()
    assert [len(scale.items) for scale in KOOS.scales] == [9, 7, 17, 5, 4, 25]
    assert KOOS.problems(WHOLE) == []
