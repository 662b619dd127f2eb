"""EQ-5D-5L: a profile of five levels and a scale of health, both of today and only told together.

No index is worked out: that takes a country's value set.
"""

from collections.abc import Mapping

from registry.scoring.instrument import Direction, Group, Instrument, Item, Scale

LEVELS = range(1, 6)  # 1 no problems, 5 the worst

DIMENSIONS = (
    Item("MO", "Getting about", LEVELS),
    Item("SC", "Own care", LEVELS),
    Item("UA", "Everyday tasks", LEVELS),
    Item("PD", "Aches", LEVELS),
    Item("AD", "Mood", LEVELS),
)
PROFILE = tuple(item.code for item in DIMENSIONS)
HEALTH = ("VAS",)


def profile(answers: Mapping[str, int]) -> str | None:
    """The five levels as five digits, such as 21143; None unless all five are answered."""
    if any(code not in answers for code in PROFILE):
        return None
    return "".join(str(answers[code]) for code in PROFILE)


def score(answers: Mapping[str, int]) -> dict[str, float | None]:
    """The health of today as marked, 0 worst to 100 best."""
    return {"vas": float(answers["VAS"]) if "VAS" in answers else None}


EQ5D5L = Instrument(
    code="eq5d5l",
    name="EQ-5D-5L",
    items=(*DIMENSIONS, Item("VAS", "Overall health", range(101))),
    groups=(Group("Five dimensions", PROFILE), Group("Overall health", HEALTH)),
    scales=(Scale("vas", "EQ VAS", HEALTH, 0, 100, Direction.HIGHER_IS_BETTER),),
    rules={"2011": score},
    reference="Herdman M et al. Qual Life Res 2011;20(10):1727-1736 (from memory)",
    licence="Register with EuroQol before use; commercial use is charged (from memory).",
    profile=profile,
)
