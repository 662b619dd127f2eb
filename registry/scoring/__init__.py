"""The table of instruments. One instrument a file; adding one is a file and a line here."""

from registry.scoring.instrument import Instrument, Item
from registry.scoring.lysholm import LYSHOLM

INSTRUMENTS: dict[str, Instrument] = {instrument.code: instrument for instrument in (LYSHOLM,)}

__all__ = ["INSTRUMENTS", "Instrument", "Item"]
