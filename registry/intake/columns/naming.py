"""Which targets the name of a column can mean, by itself, its heading and its sheet. Pure."""

import re
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, lru_cache

from registry.intake.columns.quantities import unit_named
from registry.intake.columns.synonyms import (
    INSTRUMENT_WORDS,
    NAMES_WITHIN,
    ORDINALS,
    PART_WORDS,
    PLAIN_NAMES,
    TOTAL_WORDS,
)
from registry.intake.columns.targets import MOST_TEARS, PARTS, TARGETS, Target, rooted
from registry.intake.columns.words import worded
from registry.scoring import INSTRUMENTS

OWN, EXACT, BY_SHEET, CONTAINED, PART_ALONE = 3.2, 3.0, 2.5, 1.5, 1.0
_FILLERS = {"of", "the", "in", "at", "am", "der", "des", "de", "del", "la", "du", "l", "d", "nr", "no"}
_SHORTEST_CONTAINED = 5  # letters; shorter names stand in too many others
_SECOND_LOOK = re.compile(r"\b(?:second|2 nd|2) look")
_LONGEST_NAME = 80  # letters
_MOST_WORDS = 12  # longer names are notes
_BRACKETED = re.compile(r"[(\[]([^)\]]*)[)\]]")


@dataclass(frozen=True, slots=True)
class Meaning:
    """One target that a name can mean, and how surely; `is_counted` when its number was in the name."""

    target: Target
    strength: float
    is_counted: bool = False


def unit_in(name: str) -> str:
    """The unit that a name has in brackets or at its end, as UCUM code; "" where it has none."""
    for words in [*_BRACKETED.findall(name), name.split()[-1] if len(name.split()) > 1 else ""]:
        if unit := unit_named(words.strip("[]() .")):
            return unit
    return ""


@lru_cache(maxsize=4096)
def meanings(name: str, heading: str = "", sheet: str = "") -> tuple[Meaning, ...]:
    """Every target that a column can mean, the surest first, each once."""
    found = {key: Meaning(TARGETS[key], OWN, True) for key in _in_full(f"{heading} {name}", name)}
    for words, number, is_counted in _variants(name, heading):
        for root, strength in _roots(words, _worded(heading), _worded(sheet)):
            for key in _numbered(root, number):
                meaning = Meaning(TARGETS[key], strength, is_counted)
                if key not in found or found[key].strength < strength:
                    found[key] = meaning
    for key in _of_a_score(f"{heading} {name}") or _of_a_score(name):
        found.setdefault(key, Meaning(TARGETS[key], EXACT))
    return tuple(sorted(found.values(), key=lambda each: -each.strength))


def number_in(name: str) -> int | None:
    """The number of a tear that a name has, None where it has none."""
    return _counted(_worded(name))[1]


def is_known(name: str, heading: str) -> bool:
    """Whether a cell is the name of a column, rather than a value or a note."""
    return len(name) <= _LONGEST_NAME and any(each.strength > CONTAINED for each in meanings(name, heading))


def is_only_a_part(name: str) -> bool:
    """Whether a name says no more than a part and its number, such as "Tear 2"."""
    words, _ = _counted(_worded(name))
    return bool(_parts_named(words))


def _worded(text: str) -> str:
    """Words whose "second look" is no number."""
    return _SECOND_LOOK.sub("look", worded(text))


# --- numbers in names -----------------------------------------------------------------------------


def _variants(name: str, heading: str) -> Iterator[tuple[str, int | None, bool]]:
    """The name with and without what is in brackets and its number, which a heading may have too."""
    _, of_heading = _counted(_worded(heading))
    for text in dict.fromkeys((name, _BRACKETED.sub(" ", name), _without_unit(name))):
        words = _worded(text)
        bare, number = _counted(words)
        yield words, of_heading, of_heading is not None
        if number is not None:
            yield bare, number, True


def _without_unit(name: str) -> str:
    words = _BRACKETED.sub(" ", name).split()
    return " ".join(words[:-1]) if len(words) > 1 and unit_named(words[-1].strip(" .,")) else name


def _counted(words: str) -> tuple[str, int | None]:
    """Words without the first of their numbers from 1 to 3, and that number."""
    for ordinal, number in ORDINALS.items():
        words = re.sub(rf"\b{ordinal}\b", number, words)
    match = re.search(rf"\b[1-{MOST_TEARS}]\b", words)
    if match is None:
        return words, None
    return " ".join((words[: match.start()] + words[match.end() :]).split()), int(match[0])


def _numbered(root: str, number: int | None) -> Iterator[str]:
    """The keys of a root: its own where it has no number, else that of the number, or the first."""
    if root in TARGETS:
        if number in (None, 1):
            yield root
        return
    part, _, name = root.partition(".")
    yield f"{part}{number or 1}.{name}"


def _in_full(*names: str) -> Iterator[str]:
    """The keys of targets that are named in full: part, number and label, or the key itself."""
    for name in names:
        if key := _full_names().get(worded(name)):
            yield key


@cache
def _full_names() -> dict[str, str]:
    labels = {worded(f"{PARTS[target.part]} {target.label}"): key for key, target in TARGETS.items()}
    return labels | {worded(key): key for key in TARGETS}


# --- names ----------------------------------------------------------------------------------------


def _roots(words: str, heading: str, sheet: str) -> Iterator[tuple[str, float]]:
    if not words:
        return
    plain = _plain().get(words, [])
    parts = _parts_named(_counted(heading)[0])
    for root in plain:
        yield root, EXACT if not parts or rooted(root.partition(".")[0]) in parts else BY_SHEET
    yield from ((root, EXACT) for part in parts for root in _within(part).get(words, []))
    for part, rest in _led_by_a_part(words):
        yield from ((root, EXACT) for root in _within(part).get(rest, []))
    yield from ((root, BY_SHEET) for part in _parts_named(sheet) for root in _within(part).get(words, []))
    if not plain and _counted(words)[1] is None:
        yield from ((root, CONTAINED) for root in _containing(words))


def _containing(words: str) -> list[str]:
    """The roots of the longest plain name that makes up at least half of the words."""
    parts, plain = words.split(), _plain()
    if len(parts) > _MOST_WORDS:
        return []
    for length in range(len(parts) - 1, (len(parts) - 1) // 2, -1):
        for start in range(len(parts) - length + 1):
            name = " ".join(parts[start : start + length])
            if len(name) >= _SHORTEST_CONTAINED and name in plain:
                return plain[name]
    return []


def _led_by_a_part(words: str) -> Iterator[tuple[str, str]]:
    """Each part named at the start or end of the words, with what is left of them."""
    for part, phrases in _part_phrases().items():
        for phrase in phrases:
            for rest in (words.removeprefix(f"{phrase} "), words.removesuffix(f" {phrase}")):
                if rest != words:
                    yield part, " ".join(word for word in rest.split() if word not in _FILLERS) or rest


def _parts_named(words: str) -> list[str]:
    """Parts that words name and say no more of than that they concern a tear."""
    about = {words, words.removesuffix(" tear"), words.removeprefix("tear ")}
    return [part for part, phrases in _part_phrases().items() if about & set(phrases)]


@cache
def _part_phrases() -> dict[str, tuple[str, ...]]:
    return {part: tuple(_worded(phrase) for phrase in said.split(",")) for part, said in PART_WORDS.items()}


@cache
def _plain() -> dict[str, list[str]]:
    """Roots by the names that tell them anywhere: listed, or own, unique and of two words at least."""
    names: dict[str, list[str]] = defaultdict(list)
    for root, said in PLAIN_NAMES.items():
        for phrase in said.split(","):
            names[_worded(phrase)].append(root)
    own: dict[str, set[str]] = defaultdict(set)
    for target in TARGETS.values():
        for phrase in _own(target):
            own[phrase].add(target.root)
    for phrase, roots in own.items():
        if phrase not in names and len(roots) == 1 and " " in phrase:
            names[phrase] = list(roots)
    return names


@cache
def _within(part: str) -> dict[str, list[str]]:
    """Roots of a part by every name that tells them once the part is known."""
    names: dict[str, list[str]] = defaultdict(list)
    for root, phrase in _names_of(part):
        if root not in names[phrase]:
            names[phrase].append(root)
    for each in _OF_ONE_TEAR.get(part, ()):
        for phrase, roots in _within(each).items():
            names.setdefault(phrase, roots)
    return names


def _names_of(part: str) -> Iterator[tuple[str, str]]:
    for said in (NAMES_WITHIN, PLAIN_NAMES):
        for root, phrases in said.items():
            if root.partition(".")[0] == part:
                yield from ((root, _worded(phrase)) for phrase in phrases.split(","))
    for target in TARGETS.values():
        if rooted(target.part) == part:
            yield from ((target.root, phrase) for phrase in _own(target))


_OF_ONE_TEAR = {"tear": ("repair", "passes"), "repair": ("passes",)}


def _own(target: Target) -> set[str]:
    label = _worded(target.label)
    return {label, _worded(_BRACKETED.sub(" ", target.label)), _worded(target.key.partition(".")[2])} - {""}


# --- scores ---------------------------------------------------------------------------------------


def _of_a_score(name: str) -> list[str]:
    words = _worded(name)
    for code, phrase in _forms():
        if words == phrase or words.startswith(f"{phrase} "):
            return _of_form(code, words.removeprefix(phrase).strip())
    return []


def _of_form(code: str, rest: str) -> list[str]:
    instrument = INSTRUMENTS[code]
    for item in instrument.items:
        if rest in (_worded(item.code), _worded(item.label)) or (not rest and len(instrument.items) == 1):
            return [f"score.{code}.{item.code}"]
    scales = {_worded(name) for scale in instrument.scales for name in (scale.code, scale.name)}
    return [f"score.{code}.total"] if not rest or rest in scales or rest in TOTAL_WORDS else []


@cache
def _forms() -> list[tuple[str, str]]:
    """Codes of forms with each name they go by, the longest first."""
    named = [
        (code, _worded(phrase))
        for code, said in INSTRUMENT_WORDS.items()
        for phrase in (*said.split(","), code, INSTRUMENTS[code].name)
    ]
    return sorted(named, key=lambda each: -len(each[1]))
