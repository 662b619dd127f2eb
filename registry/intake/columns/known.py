"""The surgeons of a unit, found by code or by name however it is turned. Pure."""

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Self

from registry.intake.columns.mapping import plain

# Titles before or after a name. Common practice, no source.
_TITLE = re.compile(
    r"\b(?:dr|drs|dra|prof|professor|priv|doz|pd|mr|mrs|ms|miss|herr|frau|m[ée]d|habil|sr|sra|md|phd|frcs|oa|oä|ca)\b\.?",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Known:
    """What a unit knows by name: `surgeons` leads every plain way to call one to the code.

    `names` leads each code to what a page shows.
    """

    surgeons: Mapping[str, str] = field(default_factory=dict)
    names: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, surgeons: Iterable[tuple[str, str]]) -> Self:
        """From each surgeon's code and name; a way to call that fits two surgeons finds neither."""
        names = dict(surgeons)
        ways = {code: {plain(code), *_ways(name)} for code, name in names.items()}
        shared = Counter(way for each in ways.values() for way in each)
        return cls({way: code for code, each in ways.items() for way in each if shared[way] == 1}, names)

    def surgeon(self, typed: str) -> str | None:
        """The code of whom a cell names, None where that is nobody or could be two."""
        for way in (plain(typed), _untitled(typed)):
            if way in self.surgeons:
                return self.surgeons[way]
        return None


def _untitled(name: str) -> str:
    """A name as `plain`, without titles and full stops."""
    return plain(_TITLE.sub(" ", name).replace(".", " ").strip(" ,;"))


def _ways(name: str) -> Iterator[str]:
    """The ways to call a person: whole, turned round, with initials, by family name alone."""
    yield plain(name)
    words = _untitled(name).replace(",", " ").split()
    if not words:
        return
    *given, family = words
    initials = [word[0] for word in given]
    for front in ("", " ".join(given), " ".join(initials), "".join(initials)):
        yield f"{front} {family}".strip()
        yield f"{family}, {front}".rstrip(", ")
        yield f"{family} {front}".strip()
