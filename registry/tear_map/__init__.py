"""The tear map: both menisci of one knee seen from above, in cells on which tears are placed. Pure."""

from registry.tear_map.crescents import HEIGHT, WIDTH
from registry.tear_map.drawing import Cell, TearMap, rows, tear_map
from registry.tear_map.marks import GLYPHS, Kind, Mark
from registry.tear_map.places import (
    MENISCI,
    RIM_WIDTHS,
    SIDES,
    STEPS,
    ZONES,
    Location,
    Meniscus,
    Side,
    location_of,
    words,
)

__all__ = [
    "GLYPHS",
    "HEIGHT",
    "MENISCI",
    "RIM_WIDTHS",
    "SIDES",
    "STEPS",
    "WIDTH",
    "ZONES",
    "Cell",
    "Kind",
    "Location",
    "Mark",
    "Meniscus",
    "Side",
    "TearMap",
    "location_of",
    "rows",
    "tear_map",
    "words",
]
