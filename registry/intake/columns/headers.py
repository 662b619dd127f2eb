"""Where the header of a sheet is, and what it calls each column. Pure."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

from registry.intake.columns.naming import is_known, is_only_a_part, unit_in
from registry.intake.columns.quantities import unit_named
from registry.intake.columns.words import folded
from registry.intake.file.sheet import Sheet, Value
from registry.intake.problem import COLUMN_OF_PROBLEMS

LOOKED_THROUGH = 30  # rows from the top; titles and notes stand above a header, not pages of them
_MOSTLY = 0.8
_HALF_KNOWN = 0.5  # "Tear 1" may be a name, or a heading over names
_BY_A_UNIT = 0.1


@dataclass(frozen=True, slots=True)
class Header:
    """The last row of the header (from 1, 0 for none), and of each column its name and the heading above."""

    row: int
    names: tuple[str, ...]
    headings: tuple[str, ...]

    def text(self, place: int) -> str:
        """What the column is called in full."""
        return ": ".join(words for words in (self.headings[place], self.names[place]) if words)


def header_of(sheet: Sheet) -> Header:
    """The header by the names it holds: the row, or two rows, with most names that are known.

    Where none is known it is the first row of nothing but text.
    """
    top = range(1, min(LOOKED_THROUGH, len(sheet.rows)) + 1)
    found = [_single(sheet, row) for row in top if _is_text(sheet.rows[row - 1])]
    found += [_double(sheet, row) for row in top if row > 1 and _may_be_double(sheet, row)]
    if not found:
        return _single(sheet, 1) if sheet.rows else Header(0, (), ())
    best = max(found, key=_known_names)
    return best if _known_names(best) else found[0]


def header_at(sheet: Sheet, row: int) -> Header:
    """The header whose last row is said to be that one."""
    if not 1 <= row <= len(sheet.rows):
        return Header(0, ("",) * sheet.width, ("",) * sheet.width)
    single = _single(sheet, row)
    if row == 1 or not _may_be_double(sheet, row):
        return single
    double = _double(sheet, row)
    return double if _known_names(double) > _known_names(single) else single


def header_digest(sheet: Sheet, header_row: int) -> str:
    """SHA-256 (hex) of a header's words in order, by which a unit's mapping is remembered."""
    header = header_at(sheet, header_row)
    texts = [header.text(place) for place in range(len(header.names))]
    # A file that came back with its problems marked is the same sheet.
    words = "\0".join(folded(text) for text in texts if text != COLUMN_OF_PROBLEMS)
    return hashlib.sha256(words.encode()).hexdigest()


def _single(sheet: Sheet, row: int) -> Header:
    return Header(row, tuple(_words(cell) for cell in sheet.rows[row - 1]), ("",) * sheet.width)


def _double(sheet: Sheet, row: int) -> Header:
    """Two rows as one header: the upper one names columns alone, heads several, or has its units below."""
    upper, lower = ([_words(cell) for cell in sheet.rows[each - 1]] for each in (row - 1, row))
    names, headings, heading = [], [], ""
    for above, below in zip(upper, lower, strict=True):
        heading = above or (heading if below else "")
        alone = not below or below == above or unit_named(below.strip("()[]"))
        names.append(
            f"{above} ({below.strip('()[]')})" if alone and below != above and below else below or above
        )
        headings.append("" if alone else heading)
    return Header(row, tuple(names), tuple(headings))


def _may_be_double(sheet: Sheet, row: int) -> bool:
    above, below = sheet.rows[row - 2], sheet.rows[row - 1]
    return _is_text(above) and _is_text(below) and len({cell for cell in above if cell is not None}) > 1


def _is_text(cells: Sequence[Value]) -> bool:
    filled = [cell for cell in cells if cell is not None]
    return len(filled) > 1 and sum(isinstance(cell, str) for cell in filled) >= _MOSTLY * len(filled)


def _known_names(header: Header) -> float:
    """How many known names it holds, each once. Of equals the first, so that one row goes before two."""
    known = 0.0
    for name, heading in dict.fromkeys(zip(header.names, header.headings, strict=True)):
        if name:
            known += is_known(name, heading) or _HALF_KNOWN * is_only_a_part(name)
            known += _BY_A_UNIT * bool(unit_in(name))
    return known


def _words(cell: Value) -> str:
    return " ".join(cell.split()) if isinstance(cell, str) else "" if cell is None else str(cell)
