"""Forms: answers that are allowed, values that follow from them, and scores that behave as scores do."""

from datetime import timedelta
from itertools import combinations

import numpy as np
import pytest

from registry.demo.review_stories import ScoreStory
from registry.scoring import INSTRUMENTS
from registry.scoring.koos import SUBSCALES
from tests.registry.demo.conftest import UNTIL
from tests.registry.demo.telling import Stories, forms, knees


def test_answers_are_allowed_and_values_follow_from_them(stories: Stories) -> None:
    for each in forms(stories):
        instrument = INSTRUMENTS[each.instrument]
        assert not instrument.problems(each.items)
        assert each.scale_values == instrument.values(each.items, each.instrument_version)


def test_a_form_is_answered_once_a_day(stories: Stories) -> None:
    for knee in knees(stories):
        told = [(each.instrument, each.answered_on) for each in knee.scores]
        assert len(told) == len(set(told))


def test_only_koos_of_the_first_years_is_scored_by_the_rule_of_1998(stories: Stories) -> None:
    early = [each for each in forms(stories) if each.instrument_version == "1998"]
    assert {each.instrument for each in early} == {"koos"}
    assert max(each.answered_on for each in early) < UNTIL - timedelta(days=6 * 365)


def at_review(told: Stories, low: int, high: int, instrument: str = "koos") -> list[ScoreStory]:
    """Forms answered within these days after the knee's first operation, of knees operated on once."""
    return [
        each
        for knee in knees(told)
        if len(knee.procedures) == 1
        for each in knee.scores
        if each.instrument == instrument
        and low <= (each.answered_on - knee.procedures[0].operated_on).days <= high
    ]


def mean(found: list[ScoreStory], scale: str) -> float:
    return float(np.mean([each.scale_values[scale] for each in found if scale in each.scale_values]))


@pytest.mark.parametrize("scale", [*SUBSCALES, "koos4"])
def test_koos_improves_from_before_to_two_years(scale: str, told: Stories) -> None:
    before, early, late = (mean(at_review(told, *days), scale) for days in ((-30, 0), (60, 250), (600, 900)))
    assert before + 8 < early < late


@pytest.mark.parametrize(("instrument", "sign"), [("ikdc", 1), ("tegner", 1), ("pain_nrs", -1)])
def test_other_forms_improve_too(instrument: str, sign: int, stories: Stories) -> None:
    later = (20, 200) if instrument == "pain_nrs" else (300, 900)
    before, after = (mean(at_review(stories, *days, instrument), "total") for days in ((-30, 0), later))
    assert sign * (after - before) > 0


def test_subscales_of_koos_hang_together_without_being_one(told: Stories) -> None:
    # The range is chosen by common sense, no source.
    whole = [
        each.scale_values for each in at_review(told, -30, 0) if len(each.scale_values) == len(SUBSCALES) + 1
    ]
    assert len(whole) > 200
    for one, other in combinations(SUBSCALES, 2):
        together = np.corrcoef([[each[one] for each in whole], [each[other] for each in whole]])[0, 1]
        assert 0.4 <= together <= 0.95, (one, other)


def test_koos_agrees_with_lysholm_of_the_same_day(told: Stories) -> None:
    pairs = [
        (each.scale_values["koos4"], other.scale_values["total"])
        for knee in knees(told)
        for each in knee.scores
        for other in knee.scores
        if each.answered_on == other.answered_on
        and (each.instrument, other.instrument) == ("koos", "lysholm")
        and "koos4" in each.scale_values
        and "total" in other.scale_values
    ]
    assert len(pairs) > 300
    assert np.corrcoef(np.transpose(pairs))[0, 1] > 0.7
