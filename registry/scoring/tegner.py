"""Tegner activity scale: one level, 0 to 10 (Tegner & Lysholm 1985). Ordinal, so groups tell its median."""

from registry.scoring.arithmetic import total_of
from registry.scoring.instrument import TOTAL, Direction, Group, Instrument, Item, Scale

CODES = ("level",)

TEGNER = Instrument(
    code="tegner",
    name="Tegner",
    # Sources differ on which sports make level 6 or 7, so the level itself is kept and no sport.
    items=(Item("level", "Activity level", range(11)),),
    groups=(Group("Activity", CODES),),
    scales=(Scale(TOTAL, "Tegner level", CODES, 0, 10, Direction.HIGHER_IS_MORE_ACTIVE),),
    rules={"1985": total_of(CODES)},
    reference="Tegner Y, Lysholm J. Clin Orthop Relat Res 1985;198:43-49",
    licence="No licence fee known; the wording is the journal's (from memory).",
)
