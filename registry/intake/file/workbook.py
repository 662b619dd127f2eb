"""An .xlsx workbook in, its sheets of values out, each read once, with what was special about it in words."""

import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from io import BytesIO
from typing import Any
from xml.etree.ElementTree import ParseError

from openpyxl.reader.excel import ExcelReader
from openpyxl.utils.datetime import MAC_EPOCH
from openpyxl.worksheet._read_only import ReadOnlyWorksheet
from openpyxl.worksheet._reader import COL_TAG, MERGE_TAG, ROW_TAG
from openpyxl.xml.functions import iterparse

from registry.intake.file import notes
from registry.intake.file.cells import CellParser, plain_text
from registry.intake.file.limits import (
    MOST_CELLS,
    MOST_COLUMNS,
    MOST_ROWS,
    too_many_cells,
    too_many_columns,
    too_many_rows,
)
from registry.intake.file.merging import filled
from registry.intake.file.packed import DAMAGED
from registry.intake.file.sheet import FileRefused, Sheet, Value
from registry.intake.file.shown_numbers import Shown, shown_by_style
from registry.intake.file.table import squared

_BROKEN = (
    ParseError,
    ValueError,
    TypeError,
    KeyError,
    IndexError,
    AttributeError,
    OverflowError,
    OSError,
    ArithmeticError,
)
_EMPTY = "Empty sheets were left out: {}."


def sheets_of_workbook(content: bytes) -> tuple[Sheet, ...]:
    """Every sheet that holds a value, hidden ones too.

    Results of formulas as they are stored, never worked out. The file must be harmless to unpack.

    Raises
    ------
    FileRefused
        If it is damaged, too large, or holds no value.
    """
    try:
        with warnings.catch_warnings(action="ignore"):  # of openpyxl, on parts that are not read
            read = tuple(_sheets(content))
    except FileRefused:
        raise
    except _BROKEN as error:
        raise FileRefused(DAMAGED) from error
    kept = [sheet for sheet in read if sheet.rows]
    if not kept:
        raise FileRefused("None of its sheets holds a value. Choose the file that holds the table.")
    if empty := [sheet.name for sheet in read if not sheet.rows]:
        first = kept[0]
        kept[0] = Sheet(first.name, first.rows, (*first.notes, _EMPTY.format(", ".join(empty))))
    return tuple(kept)


class _ValueReader(ExcelReader):
    """openpyxl's own reader, which passes over parts without values, so that no oddity of theirs matters."""

    def read_chartsheet(self, sheet: object, rel: object) -> None:
        """Charts show values of other sheets."""

    def read_properties(self) -> None:
        """Author and dates of the file say nothing of patients."""

    def read_custom(self) -> None:
        """As little as the other properties."""

    def read_theme(self) -> None:
        """Colours and fonts."""


def _sheets(content: bytes) -> Iterator[Sheet]:
    reader = _ValueReader(BytesIO(content), read_only=True, data_only=True, keep_links=False)
    reader.read()
    shown, texts = shown_by_style(reader.wb), [plain_text(each) for each in reader.shared_strings]
    for sheet in reader.wb.worksheets:
        try:
            yield _sheet(sheet, shown, texts)
        except FileRefused as error:
            raise FileRefused(f"Sheet {sheet.title}: {error}") from error


@dataclass(slots=True)
class _Found:
    """What the parts of a sheet's XML gave, row by row."""

    rows: list[list[Value]] = field(default_factory=list)
    cells: int = 0
    hidden_rows: list[int] = field(default_factory=list)
    hidden_columns: list[tuple[int, int]] = field(default_factory=list)
    merged: list[str] = field(default_factory=list)


def _sheet(sheet: ReadOnlyWorksheet, shown: Mapping[int, Shown], texts: list[str | None]) -> Sheet:
    found = _found(sheet, shown, texts)
    ranges = filled(found.rows, found.merged)
    rows = squared(found.rows)
    return Sheet(sheet.title, rows, tuple(_notes(sheet, found, ranges, rows)))


def _notes(
    sheet: ReadOnlyWorksheet, found: _Found, ranges: tuple[str, ...], rows: tuple[tuple[Value, ...], ...]
) -> Iterator[str]:
    if sheet.parent.epoch == MAC_EPOCH:
        yield "Its days are counted from 1904, and were read so."
    if sheet.sheet_state != "visible":
        yield "This sheet is hidden in the workbook; it was read too."
    yield from notes.merged(ranges)
    yield from notes.hidden_columns(found.hidden_columns, len(rows[0]) if rows else 0)
    yield from notes.hidden_rows(found.hidden_rows, len(rows))


def _found(sheet: ReadOnlyWorksheet, shown: Mapping[int, Shown], texts: list[str | None]) -> _Found:
    book, found = sheet.parent, _Found()
    with sheet._get_source() as source:
        parser = CellParser(
            source,
            texts,
            data_only=True,
            epoch=book.epoch,
            date_formats=book._date_formats,
            timedelta_formats=book._timedelta_formats,
        )
        parser.shown = shown
        for _, element in iterparse(source):
            if element.tag == ROW_TAG:
                number, cells = parser.parse_row(element)
                _take_row(found, number, cells, _is_hidden(element))
                element.clear()
            elif element.tag == COL_TAG and _is_hidden(element):
                found.hidden_columns.append((int(element.get("min")), int(element.get("max"))))
            elif element.tag == MERGE_TAG:
                found.merged = [each.get("ref") for each in element]
    return found


def _is_hidden(element: Any) -> bool:
    return element.get("hidden") in ("1", "true")


def _take_row(found: _Found, number: int, cells: list[dict[str, Any]], is_hidden: bool) -> None:
    """Keep a row, if it holds a value, at its number; the rows before it that are missing are empty."""
    values = {cell["column"]: cell["value"] for cell in cells if cell["value"] is not None}
    if is_hidden:
        found.hidden_rows.append(number)
    if not values:
        return
    found.cells += len(values)
    _check_size(number, max(values), found.cells)
    while len(found.rows) < number:
        found.rows.append([])
    found.rows[number - 1] = [values.get(column) for column in range(1, max(values) + 1)]


def _check_size(row: int, column: int, cells: int) -> None:
    if row > MOST_ROWS:
        raise FileRefused(too_many_rows())
    if column > MOST_COLUMNS:
        raise FileRefused(too_many_columns(row))
    if cells > MOST_CELLS:
        raise FileRefused(too_many_cells())
