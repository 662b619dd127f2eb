"""Pain as a mark on a line of 100 mm, read in whole millimetres. Never mixed with the number from 0 to 10."""

from registry.scoring.arithmetic import total_of
from registry.scoring.instrument import TOTAL, Direction, Group, Instrument, Item, Scale

CODES = ("pain_mm",)

PAIN_VAS = Instrument(
    code="pain_vas",
    name="Pain, 100 mm line",
    items=(Item("pain_mm", "Pain in mm", range(101)),),
    groups=(Group("Pain", CODES),),
    scales=(Scale(TOTAL, "Pain (mm)", CODES, 0, 100, Direction.LOWER_IS_BETTER),),
    rules={"1974": total_of(CODES)},
    reference="Huskisson EC. Lancet 1974;2:1127-1131 (from memory)",
    licence="No licence known to be needed (from memory).",
)
