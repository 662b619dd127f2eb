"""Pain as a number and pain as a mark: two instruments that are never mixed, and lower is better in both."""

import pytest

from registry.scoring.instrument import Direction, Instrument
from registry.scoring.pain_nrs import PAIN_NRS
from registry.scoring.pain_vas import PAIN_VAS


@pytest.mark.parametrize(
    ("instrument", "item", "worst"), [(PAIN_NRS, "pain", 10), (PAIN_VAS, "pain_mm", 100)]
)
def test_the_score_is_the_answer_and_lower_is_better(instrument: Instrument, item: str, worst: int) -> None:
    """Ranges: BJSM, markup 120302 (0 to 10) and common practice, no source (100 mm)."""
    (scale,) = instrument.scales
    assert (scale.lowest, scale.highest, scale.direction) == (0, worst, Direction.LOWER_IS_BETTER)
    for value in (0, 3, worst):
        assert instrument.problems({item: value}) == []
        assert instrument.values({item: value}) == {"total": value}
    assert instrument.values({}) == {}
    assert len(instrument.problems({item: worst + 1})) == 1


def test_millimetres_are_not_taken_for_a_number_nor_the_other_way() -> None:
    assert len(PAIN_NRS.problems({"pain": 70})) == 1
    assert len(PAIN_NRS.problems({"pain_mm": 7})) == 1
    assert len(PAIN_VAS.problems({"pain": 7})) == 1


def test_centimetres_are_not_taken_for_millimetres() -> None:
    assert PAIN_VAS.problems({"pain_mm": 7.2}) == [
        "pain_mm: 7.2 is not allowed; Pain, 100 mm line takes whole numbers from 0 to 100."
    ]
