"""Which releases hold a patient. The record does not know what left the house: the site says who does.

`provide` is called once, when the site starts.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID


@dataclass(frozen=True, slots=True)
class GivenOut:
    """A release of rows that holds a patient, or of which nobody can tell whether it does, and why not."""

    number: int
    at: datetime
    project: str
    recipient: str
    pseudonym: str
    recalled: bool
    cannot_tell: str = ""


Find = Callable[[UUID], list[GivenOut]]
_finds: list[Find] = []


def provide(find: Find) -> None:
    """Say who knows what left the house."""
    _finds[:] = [find]


def of(patient: UUID) -> list[GivenOut]:
    """Every release that holds a patient, the latest first."""
    return [each for find in _finds for each in find(patient)]
