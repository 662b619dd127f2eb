"""EQ-5D-5L: the profile, the scale of health, and no index."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.scoring.eq5d5l import EQ5D5L, profile

DIMENSIONS = ["MO", "SC", "UA", "PD", "AD"]


def levels(digits: str) -> dict[str, int]:
    return {code: int(digit) for code, digit in zip(DIMENSIONS, digits, strict=True)}


@pytest.mark.parametrize("digits", ["11111", "55555", "21143"])
def test_profiles(digits: str) -> None:
    """Best, worst and an example: euroqol.org, frequently asked questions."""
    assert EQ5D5L.problems(levels(digits)) == []
    assert profile(levels(digits)) == digits


def test_a_sixth_level_is_refused() -> None:
    """21163 is no profile: five levels, same page."""
    assert EQ5D5L.problems(levels("21163")) == [
        "PD: 6 is not allowed; EQ-5D-5L takes whole numbers from 1 to 5."
    ]
    assert len(EQ5D5L.problems({"MO": 0})) == 1


@settings(deadline=None, derandomize=True)
@given(st.lists(st.integers(1, 5), min_size=5, max_size=5))
def test_each_digit_is_the_level_of_its_dimension(given_levels: list[int]) -> None:
    answers = dict(zip(DIMENSIONS, given_levels, strict=True))
    assert profile(dict(reversed(answers.items()))) == "".join(map(str, given_levels))


@pytest.mark.parametrize("lacking", DIMENSIONS)
def test_no_profile_of_four(lacking: str) -> None:
    answers = {code: level for code, level in levels("21143").items() if code != lacking}
    assert profile(answers) is None


def test_health_is_a_scale_of_its_own() -> None:
    assert EQ5D5L.values({"VAS": 0}) == {"vas": 0}
    assert EQ5D5L.values({"VAS": 85}) == {"vas": 85}
    assert len(EQ5D5L.problems({"VAS": 101})) == 1
    assert str(EQ5D5L.scores(levels("11111"))[0]) == "not scorable (0 of 1)"


def test_the_instrument_offers_both_parts_and_no_index() -> None:
    assert EQ5D5L.profile is profile
    assert [scale.code for scale in EQ5D5L.scales] == ["vas"]
