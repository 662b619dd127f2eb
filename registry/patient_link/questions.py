"""What a screen shows of an instrument's items: the loaded wording, or else label and number."""

from collections.abc import Mapping
from dataclasses import dataclass

from registry.patient_link.screens import Answers, Screen
from registry.scoring import Item
from registry.wordings import wording


@dataclass(frozen=True, slots=True)
class Choice:
    """One answer that can be chosen."""

    value: int
    text: str
    chosen: bool


@dataclass(frozen=True, slots=True)
class Question:
    """One item: `choices` to pick from, or, where it has none, a whole number from `lowest` to `highest`."""

    code: str
    text: str
    choices: tuple[Choice, ...]
    lowest: int
    highest: int
    typed: str
    is_wrong: bool
    is_worded: bool
    in_words: bool


@dataclass(frozen=True, slots=True)
class Asked:
    """One group of an instrument as it is asked. `is_worded` is False where the clinic loaded no wording."""

    heading: str
    label: str
    questions: tuple[Question, ...]
    is_worded: bool


def asked(screen: Screen, answers: Answers, language: str, wrong: Mapping[str, str]) -> Asked | None:
    """What a screen asks of an instrument, with the answers so far; None for the link's own screens."""
    if screen.instrument is None or screen.group is None:
        return None
    words = wording(screen.instrument.code, language)
    known = answers.items.get(screen.instrument.code, {})
    questions = tuple(
        _question(screen.instrument.item(code), known, words, wrong) for code in screen.group.items
    )
    return Asked(
        heading=words.get("") or screen.instrument.name,
        label=screen.group.label,
        questions=questions,
        is_worded=all(question.is_worded for question in questions),
    )


def _question(
    item: Item, known: Mapping[str, int], words: Mapping[str, str], wrong: Mapping[str, str]
) -> Question:
    offered = item.allowed if item.is_choice else ()
    texts = {value: words.get(f"{item.code}={value}", "") for value in offered}
    value = known.get(item.code)
    return Question(
        code=item.code,
        text=words.get(item.code) or item.label,
        choices=tuple(Choice(each, texts[each] or str(each), each == value) for each in offered),
        lowest=min(item.allowed),
        highest=max(item.allowed),
        typed=wrong.get(item.code, "" if value is None else str(value)),
        is_wrong=item.code in wrong,
        is_worded=bool(words.get(item.code)),
        in_words=any(texts.values()),
    )
