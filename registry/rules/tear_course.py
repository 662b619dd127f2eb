"""What became of a tear: of all that is known, the latest that still holds."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Literal

# Of one day the later source tells: a look sees more than an image, and what was done changed what was seen.
Source = Literal["imaging", "look", "surgery"]
SOURCES: tuple[Source, ...] = ("imaging", "look", "surgery")

Fate = Literal["healed", "partly", "failed", "repaired_again", "part_removed", "removed"]


@dataclass(frozen=True, slots=True)
class Knowledge:
    """One thing known of a tear: how it stood, or what was done to it, on a day."""

    on: date
    source: Source
    fate: Fate


def latest(known: Iterable[Knowledge]) -> Knowledge | None:
    """The latest of what is known; None when nothing is.

    Once all of it was removed, or replaced with its meniscus or its joint, nothing later changes that.
    """
    in_order = sorted(known, key=lambda each: (each.on, SOURCES.index(each.source)))
    gone = next((each for each in in_order if each.fate == "removed"), None)
    return gone or (in_order[-1] if in_order else None)
