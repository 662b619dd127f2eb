"""Whose results a figure shows: the reader's own, or those of a surgeon known to them by code."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Whose:
    """The words for a surgeon: beside a mark, and before a noun."""

    mark: str
    possessive: str

    @property
    def starting(self) -> str:
        """The possessive at the head of a sentence."""
        return self.possessive[:1].upper() + self.possessive[1:]


YOURS = Whose("You", "your")


def of_code(code: str) -> Whose:
    """A surgeon by code; names are never given."""
    return Whose(f"Surgeon {code}", f"surgeon {code}'s")
