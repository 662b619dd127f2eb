"""What the columns and values of a file mean: said once by a person, kept as JSON, remembered by header."""

from collections.abc import Mapping as MappingOf
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any, Self


class DateOrder(StrEnum):
    """In which order a column writes day, month and year; "" while nobody had to say."""

    UNSAID = ""
    DAY_FIRST = "dmy"
    MONTH_FIRST = "mdy"
    YEAR_FIRST = "ymd"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: the target it fills ("" leaves it out), and how its values are written.

    `place` counts from 0. `unit` is a UCUM code such as "cm" where the target has one and the column another.
    `decimal` is "." or ",". `meanings` leads a value as typed (`plain(value)`) to a code of the target, or to
    "" when it says nothing.
    """

    place: int
    header: str
    target: str = ""
    unit: str = ""
    date_order: DateOrder = DateOrder.UNSAID
    decimal: str = ""
    meanings: MappingOf[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SheetMapping:
    """One sheet: the row its values begin after, its columns, and what holds for every row of it.

    `header_row` counts from 1 and is the last row of the header. `fixed` gives targets a value as if a column
    held it in every row; of a
    numbered part (tear2) or an event only in rows that say something else of it.
    """

    sheet: str
    is_used: bool = True
    header_row: int = 1
    columns: tuple[Column, ...] = ()
    fixed: MappingOf[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Mapping:
    """A whole file."""

    sheets: tuple[SheetMapping, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Plain values that `from_json` takes back."""
        return asdict(self)

    @classmethod
    def from_json(cls, said: MappingOf[str, Any]) -> Self:
        """The mapping that `as_json` gave; KeyError, TypeError or ValueError for anything else."""
        return cls(tuple(_sheet(each) for each in said["sheets"]))


def plain(value: object) -> str:
    """A value as meanings know it: blind to letter case, spacing and a full stop at the end."""
    return " ".join(str(value).split()).casefold().removesuffix(".")


def _sheet(said: MappingOf[str, Any]) -> SheetMapping:
    columns = tuple(
        Column(**{**each, "date_order": DateOrder(each.get("date_order", ""))}) for each in said["columns"]
    )
    return SheetMapping(**{**said, "columns": columns})
