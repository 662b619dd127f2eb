"""The values of a file as a workbook, every problem marked at its cell and told at the end of its row."""

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from io import BytesIO
from typing import Any

from openpyxl import Workbook
from openpyxl.cell import Cell, WriteOnlyCell
from openpyxl.comments import Comment
from openpyxl.styles import Alignment, Font, PatternFill

from registry.intake.file.reading import read
from registry.intake.file.sheet import Sheet, Unreadable, Value, letters
from registry.intake.problem import COLUMN_OF_PROBLEMS, Problem

_AUTHOR = "Rimward"
_FILL = PatternFill("solid", fgColor="FFD9A0")  # dark text stays readable on it, in print too
# What a spreadsheet may take for a formula, or for an error value, when the cell is opened or edited.
_NOT_PLAIN = ("=", "+", "-", "@", "#", "\t", "\r")
_NOT_IN_A_NAME = re.compile(r"[\\*?:/\[\]]")
_LONGEST_NAME = 31
_FIRST_YEAR = 1900  # workbooks count days from here
_WIDTH = 70  # of the last column, in letters
_NOTE_WIDTH, _LINE_HEIGHT, _LINE_LENGTH = 320, 18, 45  # of a comment: pixels, pixels, letters

_ByRow = Mapping[int, Sequence[Problem]]


def annotated(content: bytes, file_name: str, problems: Sequence[Problem]) -> bytes:
    """The values of a file as .xlsx, text as text: no cell of it is a formula, whatever it begins with.

    A problem of a place that the file does not have is told in the first row of its sheet or the first.

    Raises
    ------
    FileRefused
        If the file cannot be read.
    """
    sheets = read(content, file_name)
    told = _by_sheet_and_row(sheets, problems)
    book = Workbook(write_only=True)
    for sheet in sheets:
        name = _NOT_IN_A_NAME.sub("-", sheet.name)[:_LONGEST_NAME]
        page = book.create_sheet(name)
        page.column_dimensions[letters(sheet.width)].width = _WIDTH
        for row in _rows(page, sheet, told[sheet.name]):
            page.append(row)
    file = BytesIO()
    book.save(file)
    return file.getvalue()


def _by_sheet_and_row(sheets: Sequence[Sheet], problems: Iterable[Problem]) -> dict[str, _ByRow]:
    rows = {sheet.name: len(sheet.rows) for sheet in sheets}
    told: dict[str, dict[int, list[Problem]]] = {name: defaultdict(list) for name in rows}
    for each in problems:
        name = each.sheet if each.sheet in rows else sheets[0].name
        told[name][each.row if 1 <= each.row <= rows[name] else 1].append(each)
    return {name: dict(each) for name, each in told.items()}


def _rows(page: Any, sheet: Sheet, told: _ByRow) -> Iterator[list[Any]]:
    columns = [letters(place) for place in range(sheet.width)]
    for number, values in enumerate(sheet.rows, start=1):
        problems = told.get(number, ())
        marked = _by_column(each for each in problems if each.row == number)
        row = [
            _cell(page, value, marked[column]) if column in marked else _plain(page, value)
            for column, value in zip(columns, values, strict=True)
        ]
        yield [*row, _summary(page, number, problems)]


def _by_column(problems: Iterable[Problem]) -> dict[str, list[Problem]]:
    marked: dict[str, list[Problem]] = defaultdict(list)
    for each in problems:
        marked[each.column].append(each)
    return marked


def _summary(page: Any, number: int, problems: Sequence[Problem]) -> Any:
    """The last cell of a row: all its problems, a line each; in the first row after the column's header."""
    lines = [COLUMN_OF_PROBLEMS] if number == 1 else []
    lines += [_line(each) if each.row == number else str(each) for each in problems]
    if not lines:
        return None
    cell = _text(page, "\n".join(lines))
    cell.alignment = Alignment(wrap_text=True, vertical="top")
    cell.font = Font(bold=number == 1)
    if problems:
        cell.fill = _FILL
    return cell


def _line(problem: Problem) -> str:
    """A problem without its row, which is that of the line."""
    place = f"{problem.column} ({problem.header}): " if problem.column else ""
    return f"{place}{problem.rule} {problem.mend}".strip()


def _cell(page: Any, value: Value, problems: Sequence[Problem]) -> Any:
    """A value with its problems: filled, and a comment of rule and mend."""
    plain = _plain(page, value)
    cell = plain if isinstance(plain, Cell) else WriteOnlyCell(page, plain)
    cell.fill = _FILL
    words = "\n".join(f"{each.rule} {each.mend}" for each in problems)
    lines = sum(1 + len(line) // _LINE_LENGTH for line in words.split("\n"))
    cell.comment = Comment(words, _AUTHOR, height=_LINE_HEIGHT * (1 + lines), width=_NOTE_WIDTH)
    return cell


def _plain(page: Any, value: Value) -> Any:
    """A value as openpyxl takes it; a text that could be taken for more becomes a cell of text."""
    if isinstance(value, Unreadable):
        return _text(page, value.text)
    if isinstance(value, date) and value.year < _FIRST_YEAR:
        return value.isoformat()
    if isinstance(value, str) and value.startswith(_NOT_PLAIN):
        return _text(page, value)
    return value


def _text(page: Any, text: str) -> Any:
    cell = WriteOnlyCell(page, text)
    cell.data_type = "s"
    if text.startswith(_NOT_PLAIN):
        cell.quotePrefix = True  # stays text when somebody edits it
    return cell
