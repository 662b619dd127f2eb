"""ACL-RSI, readiness for sport after an ACL injury (Webster et al. 2008). Valid for combined cases only."""

from collections.abc import Mapping

from registry.scoring.arithmetic import total_of
from registry.scoring.instrument import TOTAL, Group, Instrument, Item, percent_scale

# Marked in tenths of the way, 0 to 10; forms that print 0 to 100 do so in steps of ten.
TENTHS = range(11)

# Every line runs from not ready to ready, worries too, so nothing is reversed. Order and labels: from memory.
ITEMS = (
    Item("q1", "Former level", TENTHS),
    Item("q2", "Expected new injury", TENTHS),
    Item("q3", "Nerves", TENTHS),
    Item("q4", "Stable knee", TENTHS),
    Item("q5", "Ease in play", TENTHS),
    Item("q6", "Frustration", TENTHS),
    Item("q7", "Fear of new injury", TENTHS),
    Item("q8", "Knee under load", TENTHS),
    Item("q9", "Fear of mishap", TENTHS),
    Item("q10", "Memory of surgery", TENTHS),
    Item("q11", "Playing well", TENTHS),
    Item("q12", "Calm in play", TENTHS),
)
CODES = tuple(item.code for item in ITEMS)
_sum = total_of(CODES)


def score(answers: Mapping[str, int]) -> dict[str, float | None]:
    """Mean of the twelve, times ten. No missing rule has been published: all twelve are needed."""
    tenths = _sum(answers)[TOTAL]
    return {TOTAL: None if tenths is None else 10 * tenths / len(CODES)}


ACL_RSI = Instrument(
    code="acl_rsi",
    name="ACL-RSI",
    items=ITEMS,
    groups=(Group("Readiness for sport", CODES),),
    scales=(percent_scale(TOTAL, "ACL-RSI", CODES),),
    rules={"2008": score},
    reference="Webster KE, Feller JA, Lambros C. Phys Ther Sport 2008;9(1):9-15 (from memory)",
    licence="Ask the authors (from memory).",
)
