"""Marx activity rating (Marx et al. 2001): how often four moves were made, at the year's most active time."""

from registry.scoring.arithmetic import total_of
from registry.scoring.instrument import TOTAL, Direction, Group, Instrument, Item, Scale

# 0 under once a month, 1 once a month; 2 once a week, 3 two or three times, 4 more (2 to 4: from memory).
FREQUENCY = range(5)

ITEMS = (
    Item("running", "Running", FREQUENCY),
    Item("cutting", "Cutting", FREQUENCY),
    Item("decelerating", "Decelerating", FREQUENCY),
    Item("pivoting", "Pivoting", FREQUENCY),
)
CODES = tuple(item.code for item in ITEMS)

MARX = Instrument(
    code="marx",
    name="Marx activity",
    items=ITEMS,
    groups=(Group("Activity", CODES),),
    # It reads the peak of the past year: months after a repair it still tells the level before injury.
    scales=(Scale(TOTAL, "Marx activity", CODES, 0, 16, Direction.HIGHER_IS_MORE_ACTIVE),),
    rules={"2001": total_of(CODES)},  # all four needed: from memory
    reference="Marx RG et al. Am J Sports Med 2001;29(2):213-218",
    licence="No licence fee known; the wording is the journal's (from memory).",
)
