"""Lysholm: totals worked out from the printed weights, values refused, and the two schemes of bands."""

from itertools import chain

import pytest

from registry.scoring.lysholm import BAND_SCHEMES, EXCELLENT_FROM_91, EXCELLENT_FROM_95, LYSHOLM, band

CODES = ["limp", "support", "locking", "instability", "pain", "swelling", "stairs", "squatting"]
# PMC10362729, table undtbl1, and publicsafetymedicine.org, appendix F; the two agree.
PRINTED = {
    "limp": {5, 3, 0},
    "support": {5, 2, 0},
    "locking": {15, 10, 6, 2, 0},
    "instability": {25, 20, 15, 10, 5, 0},
    "pain": {25, 20, 15, 10, 5, 0},
    "swelling": {10, 6, 2, 0},
    "stairs": {10, 6, 2, 0},
    "squatting": {5, 4, 2, 0},
}


def answers(*values: int) -> dict[str, int]:
    return dict(zip(CODES, values, strict=True))


@pytest.mark.parametrize(
    ("given", "total", "bands"),
    [
        (answers(3, 5, 10, 20, 15, 6, 6, 4), 69, ("fair", "fair")),
        (answers(5, 5, 15, 20, 25, 10, 10, 4), 94, ("good", "excellent")),
        (answers(5, 5, 15, 25, 25, 10, 10, 5), 100, ("excellent", "excellent")),
        (answers(0, 0, 0, 0, 0, 0, 0, 0), 0, ("poor", "poor")),
    ],
)
def test_totals_and_their_bands(given: dict[str, int], total: int, bands: tuple[str, str]) -> None:
    """Computed."""
    assert LYSHOLM.problems(given) == []
    assert LYSHOLM.values(given) == {"total": total}
    assert (band(total, EXCELLENT_FROM_95), band(total, EXCELLENT_FROM_91)) == bands


@pytest.mark.parametrize("lacking", CODES)
def test_all_eight_are_needed(lacking: str) -> None:
    """No missing rule is published."""
    given = {code: value for code, value in answers(5, 5, 15, 25, 25, 10, 10, 5).items() if code != lacking}
    (score,) = LYSHOLM.scores(given)
    assert (score.value, str(score)) == (None, "not scorable (7 of 8)")


def test_only_the_printed_values_are_taken() -> None:
    for code, printed in PRINTED.items():
        taken = {value for value in range(-1, 31) if not LYSHOLM.problems({code: value})}
        assert taken == printed


@pytest.mark.parametrize(
    ("code", "value"),
    [
        ("pain", 30),  # printed on a sheet that mixes in the weights of 1982
        ("instability", 30),
        ("limp", 4),
    ],
)
def test_values_of_other_weights_are_refused(code: str, value: int) -> None:
    options = ", ".join(map(str, sorted(PRINTED[code], reverse=True)))
    assert LYSHOLM.problems({code: value}) == [
        f"{code}: {value} is not allowed; Lysholm takes one of {options}."
    ]


def test_every_total_but_1_can_be_reached() -> None:
    """Computed; so a total of 1 tells of an error."""
    reached = {0}
    for item in LYSHOLM.items:
        reached = set(chain.from_iterable({total + value for value in item.allowed} for total in reached))
    assert set(range(101)) - reached == {1}
    assert max(reached) == 100


@pytest.mark.parametrize(
    ("total", "from_95", "from_91"),
    [
        (0, "poor", "poor"),
        (64, "poor", "poor"),
        (65, "fair", "fair"),
        (83, "fair", "fair"),
        (84, "good", "good"),
        (90, "good", "good"),
        (91, "good", "excellent"),
        (94, "good", "excellent"),
        (95, "excellent", "excellent"),
        (100, "excellent", "excellent"),
    ],
)
def test_bands_at_their_bounds(total: int, from_95: str, from_91: str) -> None:
    """physiotutors.com, tegner-lysholm-knee-score; PMC10362729 (after Lysholm & Gillquist 1982: memory)."""
    assert band(total, EXCELLENT_FROM_95) == from_95
    assert band(total, EXCELLENT_FROM_91) == from_91


def test_the_schemes_differ_for_91_to_94_alone() -> None:
    differ = [t for t in range(101) if band(t, EXCELLENT_FROM_95) != band(t, EXCELLENT_FROM_91)]
    assert differ == [91, 92, 93, 94]


def test_each_scheme_has_a_name_and_a_source_of_its_own() -> None:
    assert len({scheme.name for scheme in BAND_SCHEMES}) == len(BAND_SCHEMES) == 2
    assert all("physiotutors" in s.source or "PMC10362729" in s.source for s in BAND_SCHEMES)


@pytest.mark.parametrize("value", [-1, 100.5])
def test_no_band_beyond_the_scale(value: float) -> None:
    with pytest.raises(ValueError, match=f"Lysholm total: {value:g} is not from 0 to 100"):
        band(value, EXCELLENT_FROM_95)
