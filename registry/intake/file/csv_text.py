"""A text file of separated cells in, its one sheet out: encoding, separator, quotes."""

import csv
import re
from collections import Counter
from collections.abc import Iterator
from io import StringIO
from itertools import islice

from registry.intake.file.decoding import decoded
from registry.intake.file.limits import MOST_COLUMNS, MOST_ROWS, too_many_columns, too_many_rows
from registry.intake.file.sheet import FileRefused, Sheet, Value
from registry.intake.file.table import cleaned, squared

_SEPARATORS = {";": "semicolon", ",": "comma", "\t": "tab", "|": "vertical bar"}
_SAID = re.compile(r'"?sep=([^"\r\n])"?(?:\r\n|\r|\n|$)', re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"(?<=\d),(?=\d)")
_NOTHING = "".join(_SEPARATORS) + '" \r\n'
_SAMPLE = 65_536  # characters
_SAMPLE_ROWS = 200


def sheet_of_text(content: bytes, name: str) -> Sheet:
    """The table of a CSV or TSV file; every cell is text or None, rows as a spreadsheet would number them.

    Raises
    ------
    FileRefused
        If it is no text, or its cells cannot be told apart.
    """
    text, note = decoded(content)
    if not text.strip(_NOTHING):
        raise FileRefused("It holds no value at all. Choose the file that holds the table.")
    separator, text, how = _separated(text)
    rows = squared(list(_rows(text, separator)))
    return Sheet(name, rows, (note, how))


def _separated(text: str) -> tuple[str, str, str]:
    """The separator, the text without a first line that says it, and a note of how it was found."""
    if said := _SAID.match(text):
        how = "Its first line says what separates cells, and is not counted as a row."
        return said[1], text[said.end() :], how
    scores = _scores(text[:_SAMPLE])
    best = max(scores, key=lambda each: scores[each])
    if not scores[best]:
        return best, text, "Nothing separates cells: each line is one cell."
    return best, text, f"Cells are separated by {_SEPARATORS[best]}."


def _scores(sample: str) -> dict[str, float]:
    """How well each separator splits the sample: the number of cells beyond the first, and how steady it is.

    A comma between digits counts as a decimal comma unless nothing else splits: "3,5;4,0" has two cells.
    """
    scores = {separator: _score(sample, separator) for separator in _SEPARATORS}
    if any(score for separator, score in scores.items() if separator != ","):
        scores[","] = _score(_DECIMAL_COMMA.sub(".", sample), ",")
    return scores


def _score(sample: str, separator: str) -> float:
    reader = csv.reader(StringIO(sample, newline=""), delimiter=separator)
    try:
        widths = [_width(row) for row in islice(reader, _SAMPLE_ROWS) if any(row)]
    except csv.Error:
        return 0.0
    counts = Counter(width for width in widths if width > 1)
    if not counts:
        return 0.0
    width, rows = counts.most_common(1)[0]
    steadiness = rows / len(widths)
    return float(steadiness**2 * (width - 1))


def _width(row: list[str]) -> int:
    """How many cells it has; one, if what split it stood within quotes that another separator makes whole."""
    return 1 if any(cell.count('"') % 2 for cell in row) else len(row)


def _rows(text: str, separator: str) -> Iterator[list[Value]]:
    """Each row with its last empty cells cut.

    Strict about quotes: where they do not close, guessing would move every later value into another column.
    """
    row = 0
    try:
        reader = csv.reader(StringIO(text, newline=""), delimiter=separator, strict=True)
        for row, record in enumerate(reader, start=1):
            cells = _cells(record)
            if cells and row > MOST_ROWS:
                raise FileRefused(too_many_rows())
            if len(cells) > MOST_COLUMNS:
                raise FileRefused(too_many_columns(row))
            yield cells
    except csv.Error as error:
        raise FileRefused(
            f"From row {row + 1} on its cells cannot be told apart: a quotation mark opens a cell and is not "
            "closed at the cell's end. Write one inside a cell twice, or save the table as .xlsx."
        ) from error


def _cells(record: list[str]) -> list[Value]:
    cells: list[Value] = [cleaned(cell) for cell in record]
    while cells and cells[-1] is None:
        cells.pop()
    return cells
