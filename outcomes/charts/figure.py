"""What every figure is: a plotly drawing, the same numbers as a table, and words that say what is seen."""

from dataclasses import dataclass
from typing import Any

# Labels of facts on how the numbers came about.
METHOD = ("Method", "References")


@dataclass(frozen=True, slots=True)
class DataTable:
    """A captioned table of text; the first cell of each row names it."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing with all that is printed around it. Colours in `plot` are names that the page resolves."""

    name: str
    title: str
    plot: dict[str, Any]
    facts: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    table: DataTable
    csv_url: str = ""

    @property
    def said(self) -> tuple[tuple[str, str], ...]:
        """The facts that everybody reads."""
        return tuple(fact for fact in self.facts if fact[0] not in METHOD)

    @property
    def method(self) -> tuple[tuple[str, str], ...]:
        """The facts on how the numbers came about."""
        return tuple(fact for fact in self.facts if fact[0] in METHOD)
