"""What holds for any answers to any instrument: range, direction, order and the missing rule at its limit."""

from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.scoring import INSTRUMENTS
from registry.scoring.instrument import Direction, Instrument, Scale

EACH = pytest.mark.parametrize("instrument", INSTRUMENTS.values(), ids=INSTRUMENTS.keys())
BRIEFLY = settings(deadline=None, derandomize=True, max_examples=40)

Answers = dict[str, int]

# Items whose higher answer tells of a worse knee. Box 0 of KOOS is no problem and WOMET's line starts at the
# best end; IKDC asks of pain with 0 for none; EQ-5D counts levels from 1 for no problem. All others rise.
WORSE_WHEN_HIGHER: dict[str, set[str]] = {
    "koos": {item.code for item in INSTRUMENTS["koos"].items},
    "koos12": {item.code for item in INSTRUMENTS["koos12"].items},
    "womet": {item.code for item in INSTRUMENTS["womet"].items},
    "ikdc": {"PAIN", "SEV"},
    "pedi_ikdc": {"q2", "q3"},
    "pain_nrs": {"pain"},
    "pain_vas": {"pain_mm"},
    "eq5d5l": {"MO", "SC", "UA", "PD", "AD"},
}

ALL = -1  # every item of the scale

# The fewest answers that are scored, by instrument, version and scale: see the tests of each for sources.
# KOOS4 and the summary of KOOS-12 hang on their parts, and have tests of their own there.
FEWEST: dict[tuple[str, str], dict[str, int]] = {
    ("koos", "2012"): {"pain": 5, "symptoms": 4, "adl": 9, "sport": 3, "qol": 2},
    ("koos", "1998"): {"pain": 7, "symptoms": 5, "adl": 15, "sport": 3, "qol": 2},
    ("koos12", "2019"): {"pain": 2, "function": 2, "qol": 2},
    ("ikdc", "2001"): {"total": 16},
    ("pedi_ikdc", "2011"): {"total": 18},
    ("lysholm", "1985"): {"total": ALL},
    ("tegner", "1985"): {"total": ALL},
    ("womet", "2007"): {"symptoms": ALL, "lifestyle": ALL, "emotions": ALL, "total": ALL},
    ("marx", "2001"): {"total": ALL},
    ("sane", "1999"): {"total": ALL},
    ("pain_nrs", "1978"): {"total": ALL},
    ("pain_vas", "1974"): {"total": ALL},
    ("acl_rsi", "2008"): {"total": ALL},
    ("eq5d5l", "2011"): {"vas": ALL},
}


class Limit(NamedTuple):
    """A scale under a version, and the fewest of its items that must be answered."""

    instrument: Instrument
    version: str
    scale: Scale
    fewest: int


def limits() -> list[Limit]:
    return [
        Limit(
            instrument, version, scale, len(scale.items) if fewest[scale.code] == ALL else fewest[scale.code]
        )
        for (code, version), fewest in FEWEST.items()
        for instrument in [INSTRUMENTS[code]]
        for scale in instrument.scales
        if scale.code in fewest
    ]


def whole(instrument: Instrument) -> st.SearchStrategy[Answers]:
    """Every item answered."""
    return st.fixed_dictionaries({item.code: st.sampled_from(item.allowed) for item in instrument.items})


def partly(instrument: Instrument) -> st.SearchStrategy[Answers]:
    """Any of the items answered."""
    return st.fixed_dictionaries(
        {}, optional={item.code: st.sampled_from(item.allowed) for item in instrument.items}
    )


@EACH
@BRIEFLY
@given(data=st.data())
def test_each_score_lies_on_its_scale(instrument: Instrument, data: st.DataObject) -> None:
    answers = data.draw(whole(instrument) | partly(instrument))
    for version in instrument.rules:
        for score in instrument.scores(answers, version):
            assert score.value is None or score.scale.lowest <= score.value <= score.scale.highest
            assert score.answered == len(set(score.scale.items) & answers.keys())


@EACH
def test_the_best_and_the_worst_answers_reach_both_ends(instrument: Instrument) -> None:
    higher = {item.code: max(item.allowed) for item in instrument.items}
    lower = {item.code: min(item.allowed) for item in instrument.items}
    worse_when_higher = WORSE_WHEN_HIGHER.get(instrument.code, set())
    best = higher | {code: lower[code] for code in worse_when_higher}
    worst = lower | {code: higher[code] for code in worse_when_higher}
    for scale in instrument.scales:
        ends = (scale.lowest, scale.highest)
        expected = ends[::-1] if scale.direction is Direction.LOWER_IS_BETTER else ends
        assert (instrument.values(worst)[scale.code], instrument.values(best)[scale.code]) == expected


@EACH
@BRIEFLY
@given(data=st.data())
def test_a_better_answer_gives_a_better_score(instrument: Instrument, data: st.DataObject) -> None:
    """Of the scales that the item belongs to; the others stay, and scored stays scored."""
    answers = data.draw(whole(instrument) | partly(instrument))
    item = data.draw(st.sampled_from(instrument.items))
    marks = data.draw(st.sets(st.sampled_from(item.allowed), min_size=2, max_size=2))
    worse, better = sorted(marks, reverse=item.code in WORSE_WHEN_HIGHER.get(instrument.code, ()))
    for version in instrument.rules:
        before = instrument.values(answers | {item.code: worse}, version)
        after = instrument.values(answers | {item.code: better}, version)
        assert before.keys() == after.keys()
        for scale in (scale for scale in instrument.scales if scale.code in before):
            gain = after[scale.code] - before[scale.code]
            if scale.direction is Direction.LOWER_IS_BETTER:
                gain = -gain
            assert gain > 0 if item.code in scale.items else gain == 0


@EACH
@BRIEFLY
@given(data=st.data())
def test_the_order_of_the_answers_does_not_matter(instrument: Instrument, data: st.DataObject) -> None:
    answers = data.draw(whole(instrument) | partly(instrument))
    shuffled = dict(data.draw(st.permutations(list(answers.items()))))
    for version in instrument.rules:
        assert instrument.scores(shuffled, version) == instrument.scores(answers, version)
    if instrument.profile:
        assert instrument.profile(shuffled) == instrument.profile(answers)


def test_every_missing_rule_is_held_to_its_limit() -> None:
    held = {(limit.instrument.code, limit.version, limit.scale.code) for limit in limits()}
    declared = {
        (instrument.code, version, scale.code)
        for instrument in INSTRUMENTS.values()
        for version in instrument.rules
        for scale in instrument.scales
    }
    assert declared - held == {
        ("koos", "2012", "koos4"), ("koos", "1998", "koos4"), ("koos12", "2019", "summary"),
    }  # fmt: skip


@pytest.mark.parametrize(
    "limit", limits(), ids=lambda it: f"{it.instrument.code}-{it.version}-{it.scale.code}"
)
@BRIEFLY
@given(data=st.data())
def test_the_fewest_answers_are_scored_and_one_fewer_is_not(limit: Limit, data: st.DataObject) -> None:
    """Whichever items they are, whatever else is answered, and told as not scorable, never as 0."""
    instrument, version, scale, fewest = limit
    elsewhere = {
        code: value for code, value in data.draw(partly(instrument)).items() if code not in scale.items
    }
    order = data.draw(st.permutations(scale.items))
    marks = {code: data.draw(st.sampled_from(instrument.item(code).allowed)) for code in order[:fewest]}
    assert scale.code in instrument.values(marks | elsewhere, version)

    del marks[order[0]]
    (score,) = [s for s in instrument.scores(marks | elsewhere, version) if s.scale is scale]
    assert score.value is None
    assert scale.code not in instrument.values(marks | elsewhere, version)
    assert str(score) == f"not scorable ({fewest - 1} of {len(scale.items)})"


@pytest.mark.parametrize(
    ("code", "mean_scale", "parts"),
    [
        ("koos", "koos4", ("pain", "symptoms", "sport", "qol")),
        ("koos12", "summary", ("pain", "function", "qol")),
    ],
)
@BRIEFLY
@given(data=st.data())
def test_a_mean_of_scales_is_known_where_all_its_scales_are(
    code: str, mean_scale: str, parts: tuple[str, ...], data: st.DataObject
) -> None:
    instrument = INSTRUMENTS[code]
    answers = data.draw(whole(instrument))
    absent = data.draw(st.sets(st.sampled_from(list(answers)), max_size=len(answers) // 2))
    answers = {item: value for item, value in answers.items() if item not in absent}
    for version in instrument.rules:
        values = instrument.values(answers, version)
        assert (mean_scale in values) == all(part in values for part in parts)
