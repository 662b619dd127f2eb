"""What a file holds, whatever its format: sheets of plain values."""

from dataclasses import dataclass
from datetime import date, datetime, time


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A cell without a value of its own: what stands in it, and why that is no value."""

    text: str
    why: str


# An empty cell is None; text is stripped and never empty; a date of a workbook is a date or datetime.
Value = str | int | float | bool | date | datetime | time | Unreadable | None


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table of a file. Rows are padded to one width; row 1 is `rows[0]`, column A is place 0.

    `notes` say in words how it was read, where that was a choice: encoding, separator, merged cells, epoch.
    """

    name: str
    rows: tuple[tuple[Value, ...], ...]
    notes: tuple[str, ...] = ()

    @property
    def width(self) -> int:
        return len(self.rows[0]) if self.rows else 0


class FileRefused(ValueError):  # noqa: N818 - said to a person as it stands
    """The file as a whole cannot be read: why, and what to do instead, in words."""


def letters(place: int) -> str:
    """Name of a column as spreadsheets write it: 0 is A, 26 is AA."""
    name = ""
    while place >= 0:
        place, letter = divmod(place, 26)
        name, place = chr(ord("A") + letter) + name, place - 1
    return name
