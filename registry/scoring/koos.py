"""KOOS, five subscales of the knee (Roos et al. 1998), and KOOS4, the mean of four of them."""

from collections.abc import Mapping

from registry.scoring.arithmetic import complete_mean, percent_free
from registry.scoring.instrument import Group, Instrument, Item, Rule, percent_scale

# Boxes count from the left, 0 none. S4 and S5 too, whose anchors are worded the other way (from memory).
BOXES = range(5)
WORST = BOXES[-1]

_LABELS = {
    "S1": "Swollen knee",
    "S2": "Noise in joint",
    "S3": "Catching",
    "S4": "Extension range",
    "S5": "Flexion range",
    "S6": "Early-day stiffness",
    "S7": "Later-day stiffness",
    "P1": "Pain frequency",
    "P2": "Pain: turning",
    "P3": "Pain: straight knee",
    "P4": "Pain: bent knee",
    "P5": "Pain: level ground",
    "P6": "Pain: steps",
    "P7": "Pain: nights",
    "P8": "Pain: at rest",
    "P9": "Pain: on feet",
    "A1": "Steps down",
    "A2": "Steps up",
    "A3": "Leaving a chair",
    "A4": "Staying on feet",
    "A5": "Reaching the ground",
    "A6": "Level ground",
    "A7": "Using a car",
    "A8": "Errands",
    "A9": "Socks on",
    "A10": "Leaving bed",
    "A11": "Socks off",
    "A12": "Rest in bed",
    "A13": "Bath",
    "A14": "Staying seated",
    "A15": "Toilet",
    "A16": "Heavier housework",
    "A17": "Lighter housework",
    "SP1": "Squat",
    "SP2": "Run",
    "SP3": "Jump",
    "SP4": "Turning on knee",
    "SP5": "Kneel",
    "Q1": "Mind on knee",
    "Q2": "Changed habits",
    "Q3": "Trust in knee",
    "Q4": "Overall trouble",
}
ITEMS = tuple(Item(code, label, BOXES) for code, label in _LABELS.items())


def _codes(prefix: str, last: int, first: int = 1) -> tuple[str, ...]:
    return tuple(f"{prefix}{number}" for number in range(first, last + 1))


PAIN, SYMPTOMS, DAILY_LIVING = _codes("P", 9), _codes("S", 7), _codes("A", 17)
SPORT, QUALITY_OF_LIFE = _codes("SP", 5), _codes("Q", 4)
SUBSCALES = {
    "pain": PAIN, "symptoms": SYMPTOMS, "adl": DAILY_LIVING, "sport": SPORT, "qol": QUALITY_OF_LIFE,
}  # fmt: skip

# Daily living is left out, where young people reach the ceiling. Which four: from memory, as in Frobell 2010.
KOOS4 = ("pain", "symptoms", "sport", "qol")

# How many items a subscale needs at least. 2012: half of them; 1998: all but two, kept for old data.
AT_LEAST_2012 = {"pain": 5, "symptoms": 4, "adl": 9, "sport": 3, "qol": 2}
AT_LEAST_1998 = {"pain": 7, "symptoms": 5, "adl": 15, "sport": 3, "qol": 2}


def _rule(at_least: Mapping[str, int]) -> Rule:
    def score(answers: Mapping[str, int]) -> dict[str, float | None]:
        values = {
            scale: percent_free(codes, answers, WORST, at_least[scale]) for scale, codes in SUBSCALES.items()
        }
        return {**values, "koos4": complete_mean(values[scale] for scale in KOOS4)}

    return score


KOOS = Instrument(
    code="koos",
    name="KOOS",
    items=ITEMS,
    groups=(
        Group("Symptoms", _codes("S", 5)),
        Group("Stiffness", _codes("S", 7, first=6)),
        Group("Pain", PAIN),
        Group("Daily living: first", _codes("A", 9)),
        Group("Daily living: second", _codes("A", 17, first=10)),
        Group("Sport and recreation", SPORT),
        Group("Quality of life", QUALITY_OF_LIFE),
    ),
    scales=(
        percent_scale("pain", "Pain", PAIN),
        percent_scale("symptoms", "Symptoms", SYMPTOMS),
        percent_scale("adl", "Daily living", DAILY_LIVING),
        percent_scale("sport", "Sport and recreation", SPORT),
        percent_scale("qol", "Quality of life", QUALITY_OF_LIFE),
        percent_scale("koos4", "KOOS4", tuple(code for scale in KOOS4 for code in SUBSCALES[scale])),
    ),
    # The scoring manual of August 2012 has no total: the subscales stand by themselves.
    rules={"2012": _rule(AT_LEAST_2012), "1998": _rule(AT_LEAST_1998)},
    reference="Roos EM et al. J Orthop Sports Phys Ther 1998;28(2):88-96; scoring manual of August 2012",
    licence="Free of charge; electronic use may need leave: ask before loading the wording.",
)
