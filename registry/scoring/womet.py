"""WOMET, quality of life with a torn meniscus (Kirkley et al. 2007), told as a percentage of normal."""

from collections.abc import Mapping

from registry.scoring.arithmetic import percent_free
from registry.scoring.instrument import Direction, Group, Instrument, Item, Scale

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
SCALES = {"symptoms": SYMPTOMS, "lifestyle": LIFESTYLE, "emotions": EMOTIONS, "total": ALL}


def score(answers: Mapping[str, int]) -> dict[str, float | None]:
    """(1600 - raw) / 1600 as a percentage, and the three domains alike.

    No missing rule has been published, so none is assumed: a scale needs every item of its own.
    """
    return {scale: percent_free(codes, answers, WORST, len(codes)) for scale, codes in SCALES.items()}


def _scale(code: str, name: str) -> Scale:
    return Scale(code, name, SCALES[code], 0, 100, Direction.HIGHER_IS_BETTER)


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
        _scale("symptoms", "Physical symptoms"),
        _scale("lifestyle", "Sport, work, lifestyle"),
        _scale("emotions", "Emotions"),
        _scale("total", "WOMET"),
    ),
    rules={"2007": score},
    reference="Kirkley A, Griffin S, Whelan D. Clin J Sport Med 2007;17(5):349-356",
    licence="Ask the authors, Western University (from memory).",
)
