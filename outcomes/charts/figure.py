"""What every figure is: a plotly drawing, the same numbers as a table, and words that say what is seen."""

from dataclasses import dataclass
from typing import Any


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
