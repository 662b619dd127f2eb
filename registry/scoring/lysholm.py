"""Lysholm knee score, 1985 weights (Tegner & Lysholm, CORR 1985;198:43-49)."""

from collections.abc import Mapping

from registry.scoring.instrument import Instrument, Item

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


def score(answers: Mapping[str, int]) -> float | None:
    """Sum of the eight items, 0 (worst) to 100; None unless all eight are answered.

    No missing rule has been published, so none is assumed.
    """
    if any(item.code not in answers for item in ITEMS):
        return None
    return float(sum(answers[item.code] for item in ITEMS))


LYSHOLM = Instrument(
    code="lysholm",
    name="Lysholm",
    version="1985",
    items=ITEMS,
    lowest=0,
    highest=100,
    reference="Tegner Y, Lysholm J. Clin Orthop Relat Res 1985;198:43-49",
    licence="No licence fee known; the wording is the journal's (from memory).",
    scorer=score,
)
