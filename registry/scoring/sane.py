"""SANE: one question, the knee as a percentage of normal."""

from registry.scoring.arithmetic import total_of
from registry.scoring.instrument import TOTAL, Group, Instrument, Item, percent_scale

CODES = ("percent",)

SANE = Instrument(
    code="sane",
    name="SANE",
    items=(Item("percent", "Knee overall", range(101)),),
    groups=(Group("Knee overall", CODES),),
    scales=(percent_scale(TOTAL, "SANE", CODES),),
    rules={"1999": total_of(CODES)},
    reference="Williams GN et al. Am J Sports Med 1999;27(2):214-221 (from memory)",
    licence="No licence known to be needed (from memory).",
)
