"""Each rule worked out a second time from its published formula, by another route, and compared.

No general Python package was found that scores these instruments, so the second way is written here: sums
and steps with numpy where the scorer divides once, and the items' places and maxima set down afresh.
"""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.scoring import INSTRUMENTS
from tests.registry.scoring.test_every_instrument import Answers, partly, whole

Values = dict[str, float]
AS_EXACT_AS_FLOATS = 1e-12


def column(answers: Answers, codes: list[str]) -> np.ndarray:
    """The answers in the order of the codes, NaN where there is none."""
    return np.array([answers.get(code, np.nan) for code in codes], dtype=float)


def numbered(prefix: str, count: int) -> list[str]:
    return [f"{prefix}{number}" for number in range(1, count + 1)]


def koos(fewest: dict[str, int]) -> Callable[[Answers], Values]:
    """Missing boxes filled with the person's mean, then points of 4 - box summed and stretched to 100."""
    subscales = {
        "pain": numbered("P", 9),
        "symptoms": numbered("S", 7),
        "adl": numbered("A", 17),
        "sport": numbered("SP", 5),
        "qol": numbered("Q", 4),
    }

    def values(answers: Answers) -> Values:
        found = {}
        for scale, codes in subscales.items():
            boxes = column(answers, codes)
            if np.count_nonzero(~np.isnan(boxes)) >= fewest[scale]:
                found[scale] = stretched(boxes)
        four = [found.get(scale, np.nan) for scale in ("pain", "symptoms", "sport", "qol")]
        return found if np.isnan(four).any() else found | {"koos4": float(np.mean(four))}

    return values


def stretched(boxes: np.ndarray) -> float:
    points = 4 - np.where(np.isnan(boxes), np.nanmean(boxes), boxes)
    return float(points.sum() * 25 / len(boxes))


def koos12(answers: Answers) -> Values:
    scales = {"pain": "P1 P5 P6 P8", "function": "A3 A4 A7 SP4", "qol": "Q1 Q2 Q3 Q4"}
    boxes = {scale: column(answers, codes.split()) for scale, codes in scales.items()}
    found = {scale: stretched(b) for scale, b in boxes.items() if np.isnan(b).sum() <= 2}
    return found | {"summary": float(np.sum(list(found.values())) / 3)} if len(found) == 3 else found


def weighted(most: dict[str, int], turned: list[str], may_miss: int) -> Callable[[Answers], Values]:
    """Points over the dot product of the maxima with what is answered."""
    codes, maxima = list(most), np.array(list(most.values()))
    sign = np.array([-1 if code in turned else 1 for code in codes])
    start = np.where(sign == -1, maxima, 0)

    def values(answers: Answers) -> Values:
        marks = column(answers, codes)
        there = ~np.isnan(marks)
        if (~there).sum() > may_miss:
            return {}
        points = np.nansum(start + sign * marks)
        return {"total": float(points / (maxima @ there) * 100)}

    return values


IKDC = {
    "PERF": 4, "PAIN": 10, "SEV": 10, "STIFF": 4, "SWELL": 4, "LOCK": 1, "GIVE": 4, "PARTIC": 4, "UPSTRS": 4,
    "DNSTRS": 4, "KNEEL": 4, "SQUAT": 4, "SIT": 4, "RISE": 4, "RUN": 4, "JUMP": 4, "STOP": 4, "CRFUNC": 10,
}  # fmt: skip
PEDI_IKDC = {
    "q1": 4, "q2": 10, "q3": 10, "q4": 4, "q5": 4, "q6": 4, "q7": 1, "q8": 1, "q9": 4, "q10": 4,
    "q11a": 4, "q11b": 4, "q11c": 4, "q11d": 4, "q11e": 4, "q11f": 4, "q11g": 4, "q11h": 4, "q11i": 4,
    "q13": 10,
}  # fmt: skip


def womet(answers: Answers) -> Values:
    """Domains as (900 - sum) / 9, (400 - sum) / 4 and (300 - sum) / 3, the total from 1600 points."""
    left = {
        "symptoms": 900 - column(answers, numbered("S", 9)).sum(),
        "lifestyle": 400 - column(answers, numbered("L", 4)).sum(),
        "emotions": 300 - column(answers, numbered("E", 3)).sum(),
    }
    divisors = {"symptoms": 9, "lifestyle": 4, "emotions": 3, "total": 16}
    left["total"] = sum(left.values())
    return {scale: float(points / divisors[scale]) for scale, points in left.items() if not np.isnan(points)}


def summed(codes: str, times: float = 1, scale: str = "total") -> Callable[[Answers], Values]:
    def values(answers: Answers) -> Values:
        total = column(answers, codes.split()).sum()
        return {} if np.isnan(total) else {scale: float(total * times)}

    return values


SECOND = {
    ("koos", "2012"): koos({"pain": 5, "symptoms": 4, "adl": 9, "sport": 3, "qol": 2}),
    ("koos", "1998"): koos({"pain": 7, "symptoms": 5, "adl": 15, "sport": 3, "qol": 2}),
    ("koos12", "2019"): koos12,
    ("ikdc", "2001"): weighted(IKDC, ["PAIN", "SEV"], may_miss=2),
    ("pedi_ikdc", "2011"): weighted(PEDI_IKDC, ["q2", "q3"], may_miss=2),
    ("lysholm", "1985"): summed("limp support locking instability pain swelling stairs squatting"),
    ("tegner", "1985"): summed("level"),
    ("womet", "2007"): womet,
    ("marx", "2001"): summed("running cutting decelerating pivoting"),
    ("sane", "1999"): summed("percent"),
    ("pain_nrs", "1978"): summed("pain"),
    ("pain_vas", "1974"): summed("pain_mm"),
    ("acl_rsi", "2008"): summed(" ".join(numbered("q", 12)), times=10 / 12),
    ("eq5d5l", "2011"): summed("VAS", scale="vas"),
}


def test_no_rule_is_left_without_a_second_computation() -> None:
    assert SECOND.keys() == {(code, version) for code in INSTRUMENTS for version in INSTRUMENTS[code].rules}


@pytest.mark.parametrize(("code", "version"), SECOND)
@settings(deadline=None, derandomize=True, max_examples=60)
@given(data=st.data())
def test_both_computations_agree(code: str, version: str, data: st.DataObject) -> None:
    instrument = INSTRUMENTS[code]
    answers = data.draw(whole(instrument) | partly(instrument) | nearly(whole(instrument)))
    expected = SECOND[code, version](answers)
    assert instrument.values(answers, version) == pytest.approx(
        expected, rel=AS_EXACT_AS_FLOATS, abs=AS_EXACT_AS_FLOATS * 100
    )


def nearly(answers: st.SearchStrategy[Answers]) -> st.SearchStrategy[Answers]:
    """Up to four answers taken out, where most missing rules have their limit."""
    return answers.flatmap(
        lambda given: st.sets(st.sampled_from(list(given)), max_size=4).map(
            lambda absent: {code: value for code, value in given.items() if code not in absent}
        )
    )
