"""WOMET, quality of life with a torn meniscus (Kirkley et al. 2007), told as a percentage of normal."""

from collections.abc import Mapping

from registry.scoring.arithmetic import percent_free
from registry.scoring.instrument import TOTAL, Group, Instrument, Item, percent_scale

LINE = range(
    101
)  # millimetres along the line, 0 best (from memory; agrees with the printed detectable change)
WORST = LINE[-1]


def _items(letter: str, label: str, count: int) -> tuple[Item, ...]:
    return tuple(Item(f"{letter}{number}", f"{label} {number}", LINE) for number in range(1, count + 1))


SYMPTOM_ITEMS, LIFESTYLE_ITEMS, EMOTION_ITEMS = (
    _items("S", "Symptom", 9),
    _items("L", "Lifestyle", 4),
    _items("E", "Emotion", 3),
)
ITEMS = SYMPTOM_ITEMS + LIFESTYLE_ITEMS + EMOTION_ITEMS
SYMPTOMS, LIFESTYLE, EMOTIONS, ALL = (
    tuple(item.code for item in items) for items in (SYMPTOM_ITEMS, LIFESTYLE_ITEMS, EMOTION_ITEMS, ITEMS)
)
SCALES = {"symptoms": SYMPTOMS, "lifestyle": LIFESTYLE, "emotions": EMOTIONS, TOTAL: ALL}


def score(answers: Mapping[str, int]) -> dict[str, float | None]:
    """(1600 - raw) / 1600 as a percentage, and the three domains alike.

    No missing rule has been published, so none is assumed: a scale needs every item of its own.
    """
    return {scale: percent_free(codes, answers, WORST, len(codes)) for scale, codes in SCALES.items()}


WOMET = Instrument(
    code="womet",
    name="WOMET",
    items=ITEMS,
    groups=(
        Group("Physical symptoms", SYMPTOMS),
        Group("Sport, work, lifestyle", LIFESTYLE),
        Group("Emotions", EMOTIONS),
    ),
    scales=(
        percent_scale("symptoms", "Physical symptoms", SYMPTOMS),
        percent_scale("lifestyle", "Sport, work, lifestyle", LIFESTYLE),
        percent_scale("emotions", "Emotions", EMOTIONS),
        percent_scale(TOTAL, "WOMET", ALL),
    ),
    rules={"2007": score},
    reference="Kirkley A, Griffin S, Whelan D. Clin J Sport Med 2007;17(5):349-356",
    licence="Ask the authors, Western University (from memory).",
)
