"""The headline on 300 generated records: every rule held by the words against the numbers."""

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import date

import pandas as pd
import pytest

from outcomes.briefing.sentences import headline
from outcomes.failure import REOPERATION
from outcomes.strata import STRATA
from outcomes.survival import Counted, results_of
from outcomes.timeline import CENSORED, FAILED
from tests.outcomes.briefing import rules
from tests.outcomes.briefing.generated import Case, cases
from tests.outcomes.briefing.rules import RULES, small


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_the_rule_holds_on_every_record(rule: Callable[[Case], bool]) -> None:
    broken = [(seed, case.said) for seed, case in enumerate(cases()) if not rule(case)]
    assert not broken, broken[:3]


def test_patients_with_several_repairs_are_tested_as_clusters() -> None:
    said = [case.said[1] for case in cases() if case.overall.curve.robust and "differs" in case.said[1]]
    assert said
    for sentence in said:
        assert re.search("score test with the patient as cluster P|taken as independent", sentence), sentence


def test_three_sentences_each() -> None:
    for case in cases():
        assert all(re.fullmatch(r"(\d|[A-Z])[^\n]*[^.]\.", sentence) for sentence in case.said), case.said


def test_the_records_meet_every_rule() -> None:
    """So that no rule holds only because nothing asked for it."""
    met = Counter(phrase for case in cases() for phrase in PHRASES if re.search(phrase, case.text))
    assert {phrase: met[phrase] for phrase in PHRASES if met[phrase] < 5} == {}


PHRASES = (
    "^1 repair was", "with 1 failure", "with no failure", "too few for a share", "2 years are not reached",
    "1 year of follow-up is not reached", "at risk then", "none had failed", "lies above", "lies below",
    "cannot be told apart", "do not overlap", "no comparison", "differs by vascular zone", "No groups were",
    "the 1 repair lost", "all \\d+ repairs lost", "is only", "less than four fifths", "from no failure in",
)  # fmt: skip


@pytest.mark.parametrize(
    ("rule", "place", "before", "after"),
    [
        (rules.counts_are_said, 0, " failures", "1 failures"),
        (rules.every_per_cent_has_its_interval, 0, r" \(\d+\.\d to \d+\.\d\)", ""),
        (rules.one_is_singular_and_all_else_plural, 0, "repairs were", "repair were"),
        (rules.nothing_is_judged, 1, "lies above", "is significantly worse than"),
        (rules.direction_agrees_with_the_numbers, 1, "lies above", "lies below"),
        (rules.set_beside_the_reference_with_the_hedge_of_its_limits, 1, "cannot be told apart", "differ"),
        (rules.a_difference_needs_a_test_and_an_estimate, 1, "cannot be told apart", "differs"),
        (rules.completeness_is_said_and_warned_of, 2, r"(\d+\.\d) %", "99.9 %"),
        (rules.had_the_lost_failed_is_said, 2, "all ", "all 9"),
    ],
    ids=lambda value: getattr(value, "__name__", None),
)
def test_the_check_itself_sees_a_broken_rule(
    rule: Callable[[Case], bool], place: int, before: str, after: str
) -> None:
    told = next(case for case in cases() if not small(case) and _sayings(case, place, before))
    words = [*told.said]
    words[place] = re.sub(before, after, words[place], count=1)
    assert rule(told)
    assert not rule(replace(told, said=(words[0], words[1], words[2])))


def _sayings(case: Case, place: int, words: str) -> bool:
    """Whether a sentence has these words, and something to compare with."""
    return bool(re.search(words, case.said[place])) and bool(case.reference and "lies above" in case.text)


def test_a_reference_read_at_another_day_is_not_set_beside() -> None:
    case = next(case for case in cases() if "lies above" in case.said[1])
    at_five = replace(case.reference, at=1826)  # type: ignore[type-var]
    said = headline(case.overall, (), reference=at_five)
    assert said[1] == "There is no comparison with the briefing of 3 May 2025: that is read at 5 years."


def test_curves_that_cross_are_said_to() -> None:
    # Worked by hand: those of zone red-red fail late, those of white-white early, in unlike numbers.
    early = [("WW", 100, FAILED)] * 30 + [("WW", 900, CENSORED)] * 30
    late = [("RR", 700, FAILED)] * 25 + [("RR", 900, CENSORED)] * 75
    mid = [("RR", 50, FAILED)] * 3
    rows = [
        {"zone": zone, "entry": 0, "patient": None, "day": day, "outcome": outcome, "lost": False, "n": 1,
         "potential_days": day}
        for zone, day, outcome in early + late + mid
    ]  # fmt: skip
    table = pd.DataFrame(rows).astype({"patient": object})
    counted = Counted(table, 0, 0, 0)
    results = results_of(counted, "", REOPERATION, date(2026, 1, 1), (STRATA["zone"],))
    said = headline(results[0].overall, results)[1]
    assert "from 27.2 %" in said
    assert "in White-white (n = 60), though their curves cross: an association" in said
