"""Rows and columns of a sheet below its header, and which rows are none of the record's. Pure."""

import re
from collections.abc import Iterable, Iterator, Sequence

from registry.intake.columns.mapping import Column
from registry.intake.columns.words import folded
from registry.intake.file.sheet import Sheet, Value

# First words of rows that sum up. Common practice, no source.
_SUMMED = re.compile(
    r"(?:(?:grand |sub )?totals?|subtotals?|sum|summe|gesamt|gesamtsumme|zwischensumme|n|anzahl|count|mean|"
    r"average|avg|mittelwert|mittel|durchschnitt|schnitt|median|sd|std|stdev|stabw|standardabweichung|min|max|minimum|maximum|"
    r"suma|promedio|media|mediana|moyenne|somme|ecart type)(?: \d+)*"
)
_NUMBER = re.compile(r"[\d.,%\s±()-]+")
_FEWEST_WORDS_OF_A_NOTE = 3


def rows_of(sheet: Sheet, header_row: int, named: int | None = None) -> list[tuple[int, Sequence[Value]]]:
    """The rows of the record below the header (its last row, from 1), each with its number."""
    return [(number, cells) for number, cells, why in sorted_out(sheet, header_row, named) if not why]


def sorted_out(
    sheet: Sheet, header_row: int, named: int | None
) -> Iterator[tuple[int, Sequence[Value], str]]:
    """Every row below the header that is not empty, with its number and why it is none of the record's."""
    header = sheet.rows[header_row - 1] if 1 <= header_row <= len(sheet.rows) else (None,) * sheet.width
    for number, cells in enumerate(sheet.rows[header_row:], header_row + 1):
        if cells.count(None) < len(cells):
            yield number, cells, why_left_out(cells, header, named)


def place_named(columns: Iterable[Column]) -> int | None:
    """The place of the hospital number, None where no column has it."""
    return next((column.place for column in columns if column.target == "patient.hospital_number"), None)


def why_left_out(cells: Sequence[Value], header: Sequence[Value], named: int | None) -> str:
    """Why a row is none of the record's, "" where it may be. `named` is the place of the hospital number."""
    filled = [place for place, cell in enumerate(cells) if cell is not None]
    if not filled or not isinstance(first := cells[filled[0]], str):
        return ""
    if len(filled) > 1 and all(cells[place] == header[place] for place in filled):
        return "the header once more"
    # "N 123" may be a hospital number: a total has nothing but numbers beside it.
    sums = all(_NUMBER.fullmatch(str(cells[place])) for place in filled[1:])
    names_nobody = named is None or cells[named] is None or (named == filled[0] and sums)
    if names_nobody and _SUMMED.fullmatch(folded(first)):
        return f"a total ('{first}')"
    if len(filled) == 1 and len(first.split()) >= _FEWEST_WORDS_OF_A_NOTE:
        return "a note"
    return ""
