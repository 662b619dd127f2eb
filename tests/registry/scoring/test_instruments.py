"""What holds for each instrument of the table as it is declared, and how a score is told."""

import re

import pytest

from registry.scoring import INSTRUMENTS
from registry.scoring.instrument import Direction, Instrument, Item, Scale, ScaleScore

MOST_WORDS = 4  # beyond that a label would begin to give the questionnaire's own wording

EACH = pytest.mark.parametrize("instrument", INSTRUMENTS.values(), ids=INSTRUMENTS.keys())
SCALE = Scale("total", "Total", ("a", "b", "c"), 0, 100, Direction.HIGHER_IS_BETTER)


def words(label: str) -> list[str]:
    return re.findall(r"\w+", label)


def test_the_table_in_its_order() -> None:
    assert list(INSTRUMENTS) == [
        "koos", "koos12", "ikdc", "pedi_ikdc", "lysholm", "tegner", "womet", "marx", "sane",
        "pain_nrs", "pain_vas", "acl_rsi", "eq5d5l",
    ]  # fmt: skip
    assert all(len(code) <= 20 and INSTRUMENTS[code].code == code for code in INSTRUMENTS)


@EACH
def test_labels_have_four_words_at_most(instrument: Instrument) -> None:
    """Wording is the licence holders' and is not shipped."""
    labels = [
        *(item.label for item in instrument.items),
        *(group.label for group in instrument.groups),
        *(scale.name for scale in instrument.scales),
    ]
    assert [label for label in labels if not 1 <= len(words(label)) <= MOST_WORDS] == []


@EACH
def test_the_groups_hold_each_item_once_in_form_order(instrument: Instrument) -> None:
    in_groups = [code for group in instrument.groups for code in group.items]
    codes = [item.code for item in instrument.items]
    assert in_groups == codes
    assert len(set(codes)) == len(codes)


@EACH
def test_labels_and_scales_are_told_apart(instrument: Instrument) -> None:
    for names in (
        [item.label for item in instrument.items],
        [group.label for group in instrument.groups],
        [scale.code for scale in instrument.scales],
        [scale.name for scale in instrument.scales],
    ):
        assert len(set(names)) == len(names)


@EACH
def test_scales_are_worked_out_from_items_of_the_form(instrument: Instrument) -> None:
    for scale in instrument.scales:
        assert scale.lowest < scale.highest
        assert len({instrument.item(code) for code in scale.items}) == len(scale.items) > 0


@EACH
def test_each_version_scores_each_scale(instrument: Instrument) -> None:
    assert instrument.version == next(iter(instrument.rules))
    for rule in instrument.rules.values():
        assert rule({}) == dict.fromkeys((scale.code for scale in instrument.scales), None)


@EACH
def test_each_names_its_paper_and_its_licence(instrument: Instrument) -> None:
    assert re.search(r"(19|20)\d\d", instrument.reference)
    assert instrument.licence.endswith(".")


@EACH
def test_a_form_left_blank_has_no_score_and_no_problem(instrument: Instrument) -> None:
    assert instrument.values({}) == {}
    assert instrument.problems({}) == []
    assert [str(s) for s in instrument.scores({})] == [
        f"not scorable (0 of {len(scale.items)})" for scale in instrument.scales
    ]


@EACH
def test_values_off_the_list_are_refused(instrument: Instrument) -> None:
    for item in instrument.items:
        for value in (
            min(item.allowed) - 1,
            max(item.allowed) + 1,
            0.5,
            True,
            str(item.allowed[0]),
            None,
            [],
        ):
            (problem,) = instrument.problems({item.code: value})
            assert problem.startswith(f"{item.code}: {value!r} is not allowed; {instrument.name} takes ")
        assert not any(instrument.problems({item.code: value}) for value in item.allowed)


@EACH
def test_a_version_that_is_none_is_refused(instrument: Instrument) -> None:
    known = ", ".join(instrument.rules)
    with pytest.raises(ValueError, match=f"has no version '1066'. Choose: {known}."):
        instrument.scores({}, "1066")


def test_an_item_that_is_none_is_refused() -> None:
    with pytest.raises(KeyError, match="P10"):
        INSTRUMENTS["koos"].item("P10")


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (250 / 3, "83.3"),
        (100.0, "100"),
        (40.0, "40"),
        (0.0, "0"),
        (68.9655, "69"),
        (None, "not scorable (2 of 3)"),
    ],
)
def test_how_a_score_is_told(value: float | None, told: str) -> None:
    assert str(ScaleScore(SCALE, value, answered=2)) == told


@pytest.mark.parametrize(
    ("allowed", "is_choice"), [(range(11), True), (range(101), False), ((5, 3, 0), True), (range(12), False)]
)
def test_eleven_values_can_still_be_ticked(allowed: range | tuple[int, ...], is_choice: bool) -> None:
    assert Item("a", "A", allowed).is_choice is is_choice
