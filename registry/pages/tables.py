"""Tables as shared/data_table.html prints them, and how a small number is told."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Table:
    """A caption, the columns, and rows of texts; the first cell heads its row."""

    caption: str
    columns: list[str]
    rows: list[list[str]]


def at_least(number: int, smallest: int) -> str:
    """A number, unless it is so small that it might point at somebody."""
    return str(number) if number == 0 or number >= smallest else f"fewer than {smallest}"
