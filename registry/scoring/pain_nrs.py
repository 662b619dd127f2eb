"""Pain as a number from 0 to 10. The line of 100 mm is another instrument: the two are never mixed."""

from registry.scoring.arithmetic import total_of
from registry.scoring.instrument import TOTAL, Direction, Group, Instrument, Item, Scale

CODES = ("pain",)

PAIN_NRS = Instrument(
    code="pain_nrs",
    name="Pain, 0 to 10",
    items=(Item("pain", "Pain", range(11)),),
    groups=(Group("Pain", CODES),),
    scales=(Scale(TOTAL, "Pain (0-10)", CODES, 0, 10, Direction.LOWER_IS_BETTER),),
    rules={"1978": total_of(CODES)},
    reference="Downie WW et al. Ann Rheum Dis 1978;37(4):378-381 (from memory)",
    licence="No licence known to be needed (from memory).",
)
