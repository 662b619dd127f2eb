"""Lysholm knee score, 1985 weights (Tegner & Lysholm, CORR 1985;198:43-49), and its bands in two schemes."""

from dataclasses import dataclass

from registry.scoring.arithmetic import total_of
from registry.scoring.instrument import TOTAL, Group, Instrument, Item, percent_scale

# Allowed values as tabulated in PMC10362729 (undtbl1). Pain 30, printed on some sheets, is the 1982 form.
ITEMS = (
    Item("limp", "Limp", (5, 3, 0)),
    Item("support", "Support", (5, 2, 0)),
    Item("locking", "Locking", (15, 10, 6, 2, 0)),
    Item("instability", "Instability", (25, 20, 15, 10, 5, 0)),
    Item("pain", "Pain", (25, 20, 15, 10, 5, 0)),
    Item("swelling", "Swelling", (10, 6, 2, 0)),
    Item("stairs", "Stairs", (10, 6, 2, 0)),
    Item("squatting", "Squatting", (5, 4, 2, 0)),
)
CODES = tuple(item.code for item in ITEMS)


@dataclass(frozen=True, slots=True)
class BandScheme:
    """A printed way to put totals into bands: each band with the lowest total in it, best first."""

    name: str
    bounds: tuple[tuple[str, int], ...]
    source: str


# The two differ for totals of 91 to 94 alone, so a band is always told with its scheme.
EXCELLENT_FROM_95 = BandScheme(
    "excellent from 95",
    (("excellent", 95), ("good", 84), ("fair", 65), ("poor", 0)),
    "physiotutors.com/questionnaires/tegner-lysholm-knee-score; by its own word not based on validated norms",
)
EXCELLENT_FROM_91 = BandScheme(
    "excellent from 91",
    (("excellent", 91), ("good", 84), ("fair", 65), ("poor", 0)),
    "PMC10362729; going back to Lysholm & Gillquist 1982 (from memory)",
)
BAND_SCHEMES = (EXCELLENT_FROM_95, EXCELLENT_FROM_91)


def band(value: float, scheme: BandScheme) -> str:
    """The band that a total of 0 to 100 falls in, under one of the printed schemes."""
    if not 0 <= value <= 100:
        raise ValueError(f"Lysholm total: {value:g} is not from 0 to 100, so it has no band.")
    return next(name for name, lowest in scheme.bounds if value >= lowest)


LYSHOLM = Instrument(
    code="lysholm",
    name="Lysholm",
    items=ITEMS,
    groups=(Group("Lysholm", CODES),),
    scales=(percent_scale(TOTAL, "Lysholm", CODES),),
    # No missing rule has been published, so none is assumed: all eight are needed.
    rules={"1985": total_of(CODES)},
    reference="Tegner Y, Lysholm J. Clin Orthop Relat Res 1985;198:43-49",
    licence="No licence fee known; the wording is the journal's (from memory).",
)
