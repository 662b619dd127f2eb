"""KOOS-12, twelve items of KOOS in three scales and their mean, the summary (Gandek et al. 2019)."""

from collections.abc import Mapping

from registry.scoring import koos
from registry.scoring.arithmetic import complete_mean, percent_free
from registry.scoring.instrument import Group, Instrument, percent_scale

# Which items of KOOS these are: from memory. Confirm before working KOOS-12 out of answers to KOOS.
PAIN = ("P1", "P5", "P6", "P8")
FUNCTION = ("A3", "A4", "A7", "SP4")
QUALITY_OF_LIFE = ("Q1", "Q2", "Q3", "Q4")
SCALES = {"pain": PAIN, "function": FUNCTION, "qol": QUALITY_OF_LIFE}
CODES = PAIN + FUNCTION + QUALITY_OF_LIFE
AT_LEAST = 2  # answered of the four items of a scale


def score(answers: Mapping[str, int]) -> dict[str, float | None]:
    """Three scales from two answers each, and their mean where all three are known (that: from memory)."""
    values = {scale: percent_free(codes, answers, koos.WORST, AT_LEAST) for scale, codes in SCALES.items()}
    return {**values, "summary": complete_mean(values.values())}


KOOS12 = Instrument(
    code="koos12",
    name="KOOS-12",
    items=tuple(koos.KOOS.item(code) for code in CODES),
    groups=(Group("Pain", PAIN), Group("Function", FUNCTION), Group("Quality of life", QUALITY_OF_LIFE)),
    scales=(
        percent_scale("pain", "Pain", PAIN),
        percent_scale("function", "Function", FUNCTION),
        percent_scale("qol", "Quality of life", QUALITY_OF_LIFE),
        percent_scale("summary", "Summary", CODES),
    ),
    rules={"2019": score},
    # Developed in arthritis and knee replacement, not in meniscal repair.
    reference="Gandek B et al. Osteoarthritis Cartilage 2019;27(5):746-753 and 762-770",
    licence="As KOOS: free of charge; electronic use may need leave (from memory).",
)
