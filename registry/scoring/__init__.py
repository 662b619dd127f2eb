"""The table of instruments. One instrument a file; adding one is a file and a line here."""

from registry.scoring.acl_rsi import ACL_RSI
from registry.scoring.eq5d5l import EQ5D5L
from registry.scoring.ikdc import IKDC
from registry.scoring.instrument import TOTAL, Direction, Group, Instrument, Item, Scale, ScaleScore
from registry.scoring.koos import KOOS
from registry.scoring.koos12 import KOOS12
from registry.scoring.lysholm import LYSHOLM
from registry.scoring.marx import MARX
from registry.scoring.pain_nrs import PAIN_NRS
from registry.scoring.pain_vas import PAIN_VAS
from registry.scoring.pedi_ikdc import PEDI_IKDC
from registry.scoring.sane import SANE
from registry.scoring.tegner import TEGNER
from registry.scoring.womet import WOMET

INSTRUMENTS: dict[str, Instrument] = {
    instrument.code: instrument
    for instrument in (
        KOOS,
        KOOS12,
        IKDC,
        PEDI_IKDC,
        LYSHOLM,
        TEGNER,
        WOMET,
        MARX,
        SANE,
        PAIN_NRS,
        PAIN_VAS,
        ACL_RSI,
        EQ5D5L,
    )
}

__all__ = ["INSTRUMENTS", "TOTAL", "Direction", "Group", "Instrument", "Item", "Scale", "ScaleScore"]
