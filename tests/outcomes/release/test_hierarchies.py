"""Quasi-identifiers: every code of the record has its place, steps nest, nothing is told too finely."""

import re
from itertools import pairwise

import pytest

from outcomes.release.hierarchies import (
    ATTRIBUTES,
    GIVEN_UP,
    UNKNOWN,
    Attribute,
    Step,
    year_attribute,
    year_code,
)
from outcomes.strata import UNKNOWN as NOT_RECORDED
from registry.vocabulary import InjuryCause, LigamentSurgery, Sex, Side, Smoking

YEARS = range(1998, 2031)
EVERY = [*ATTRIBUTES.values(), *(year_attribute(width, YEARS) for width in (1, 2, 5))]
CLOSED = [attribute for attribute in EVERY if attribute.finest is not None]


def named(attribute):
    return f"{attribute.code} {attribute.as_recorded}"


def span(code, highest):
    """The numbers that a band holds, read from its code."""
    low, high = re.fullmatch(r"(?:under_)?(\d+)_?(\d+|and_over)?", code).groups()
    if code.startswith("under_"):
        return set(range(int(low)))
    if high == "and_over":
        return set(range(int(low), highest + 1))
    return set(range(int(low), int(high or low) + 1))


@pytest.mark.parametrize("attribute", CLOSED, ids=named)
def test_each_step_joins_what_the_one_before_told_apart_and_parts_nothing(attribute):
    steps = range(len(attribute.steps) + 1)
    forms = [{code: attribute.coarsened(code, step) for code in attribute.finest} for step in steps]
    assert [*forms[0].items()] == [(code, code) for code in attribute.finest]
    for fine, coarse in pairwise(forms):
        joined = {}
        for code in attribute.finest:
            assert joined.setdefault(fine[code], coarse[code]) == coarse[code]
        assert len(set(coarse.values())) < len(set(fine.values()))
    assert set(forms[-1].values()) == {GIVEN_UP}


@pytest.mark.parametrize("attribute", CLOSED, ids=named)
def test_what_was_not_recorded_stays_so_until_all_is_given_up(attribute):
    if attribute.code == "year":
        return
    told = [step.into[UNKNOWN] for step in attribute.steps]
    assert told == [UNKNOWN] * (len(told) - 1) + [GIVEN_UP]
    for step in attribute.steps[:-1]:
        assert [code for code, form in step.into.items() if form == UNKNOWN] == [UNKNOWN]


def test_codes_are_those_of_the_record():
    vocabulary = {
        "sex": Sex,
        "side": Side,
        "cause": InjuryCause,
        "ligament": LigamentSurgery,
        "smoking": Smoking,
    }
    for code, choices in vocabulary.items():
        assert set(ATTRIBUTES[code].finest) == {*choices.values, UNKNOWN}
    assert UNKNOWN == NOT_RECORDED
    assert ATTRIBUTES["unit"].finest is ATTRIBUTES["surgeon"].finest is None
    assert [attribute.code for attribute in ATTRIBUTES.values()] == [*ATTRIBUTES]


@pytest.mark.parametrize(("code", "highest"), [("age", 120), ("activity", 10)])
def test_bands_hold_every_number_once_at_every_step(code, highest):
    attribute = ATTRIBUTES[code]
    for step in range(len(attribute.steps)):
        codes = {attribute.coarsened(band, step) for band in attribute.finest} - {UNKNOWN}
        spans = [span(band, highest) for band in codes]
        assert sorted(number for one in spans for number in one) == [*range(highest + 1)]
    for step in range(1, len(attribute.steps)):
        for band in set(attribute.finest) - {UNKNOWN}:
            assert span(band, highest) <= span(attribute.coarsened(band, step), highest)


def test_no_age_is_told_in_less_than_five_years_or_apart_from_60_on():
    """The rule of the paper; 45 CFR 164.514(b)(2)(i)(C) asks for one class from 90 on."""
    ages = [span(band, 120) for band in ATTRIBUTES["age"].finest if band != UNKNOWN]
    assert min(len(one) for one in ages) == 5
    assert sum(bool(one & set(range(60, 121))) for one in ages) == 1


def test_body_mass_is_told_in_the_bands_of_the_world_health_organization():
    """WHO Technical Report Series 894, 2000, table 2.1: from 18.5, 25, 30 and 35; from memory."""
    assert ATTRIBUTES["bmi"].finest[:-1] == ("under_18_5", "18_5_24_9", "25_29_9", "30_34_9", "35_and_over")
    assert dict(ATTRIBUTES["bmi"].steps[0].into) == {
        "under_18_5": "under_25",
        "18_5_24_9": "under_25",
        "25_29_9": "25_29_9",
        "30_34_9": "30_and_over",
        "35_and_over": "30_and_over",
        UNKNOWN: UNKNOWN,
    }


def test_words_are_joined_by_what_they_mean():
    """The grouping is common practice, no source."""
    joined = {
        "cause": {
            "sport": {InjuryCause.PIVOTING_SPORT, InjuryCause.OTHER_SPORT},
            "other": {InjuryCause.DAILY_LIVING, InjuryCause.TRAFFIC, InjuryCause.WORK},
            "none_recalled": {InjuryCause.NONE_RECALLED},
        },
        "ligament": {
            "none": {LigamentSurgery.NONE},
            "with_surgery": {LigamentSurgery.SAME, LigamentSurgery.LATER, LigamentSurgery.EARLIER},
        },
        "smoking": {"current": {Smoking.CURRENT}, "not_current": {Smoking.NEVER, Smoking.FORMER}},
    }
    for code, groups in joined.items():
        expected = {finest: form for form, codes in groups.items() for finest in codes}
        assert dict(ATTRIBUTES[code].steps[0].into) == {**expected, UNKNOWN: UNKNOWN}


@pytest.mark.parametrize(("width", "wider"), [(1, 5), (2, 10), (5, 10)])
def test_a_year_lies_in_its_band_and_the_band_in_the_wider_one(width, wider):
    attribute = year_attribute(width, YEARS)
    for year in YEARS:
        band = year_code(year, width)
        assert year in span(band, 2100)
        assert len(span(band, 2100)) == width
        assert span(band, 2100) <= span(attribute.coarsened(band, 1), 2100)
        assert len(span(attribute.coarsened(band, 1), 2100)) == wider


def test_years_are_those_that_there_are():
    assert year_attribute(2, [2024, 2021, 2020]).finest == ("2020_2021", "2024_2025")
    assert (year_code(2024, 1), year_code(2024, 2), year_code(2024, 5)) == ("2024", "2024_2025", "2020_2024")
    with pytest.raises(ValueError, match="width is 3: a year is told in bands of 1, 2 or 5 years"):
        year_attribute(3, YEARS)


def test_each_form_has_its_name_and_what_it_merges():
    age = ATTRIBUTES["age"]
    assert [age.label(step) for step in range(5)] == [
        "5-year bands",
        "10-year bands",
        "20-year bands",
        "under 40, 40 and over",
        "given up",
    ]
    assert age.merged(age.finest, 0) == dict.fromkeys(age.finest, 1)
    assert age.merged(age.finest, 2)["30_34"] == 4
    assert age.merged(age.finest, 4) == dict.fromkeys(age.finest, 12)
    assert ATTRIBUTES["unit"].merged(["a", "b"], 1) == {"a": 2, "b": 2}


LAST = Step("given up", {"a": GIVEN_UP, "b": GIVEN_UP, "c": GIVEN_UP})
WRONG = [
    ((), "x: the last step does not give all up"),
    ((Step("half", {"a": "a", "b": "b"}), LAST), "x: step half must map each of the finest codes"),
    ((Step("all", {"a": "a", "b": "b", "c": "c"}),), "x: the last step does not give all up"),
    (
        (Step("ab", {"a": "1", "b": "1", "c": "c"}), Step("bc", {"a": "a", "b": "2", "c": "2"}), LAST),
        "x: bc parts what ab joins",
    ),
]


@pytest.mark.parametrize(("steps", "message"), WRONG)
def test_steps_that_do_not_nest_are_refused(steps, message):
    with pytest.raises(ValueError, match=message):
        Attribute("x", "X", ("a", "b", "c"), steps)
