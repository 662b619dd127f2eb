"""A CSV file in, checked columns out: numbers, dates, labels, each refusal naming column, row and rule.

Rows are numbered as a spreadsheet shows them: the header is row 1.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from io import StringIO
from itertools import islice
from pathlib import Path
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Labels = NDArray[np.object_]
Dates = NDArray[np.datetime64]

# How an empty cell is written: by spreadsheets and pandas, by R, by numpy.
MISSING = frozenset({"", "NA", "NaN", "nan"})
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
MEND = "correct it or leave its row out"
SAVE_AS = "save the table as CSV, comma-separated, in UTF-8"
# Above it not every whole number can be told from its neighbours.
LARGEST_WHOLE = 2**53
# An offending value or a list of columns longer than this is cut in a message.
LONGEST_SHOWN = 40
MOST_NAMED = 12


class InputError(ValueError):
    """What is wrong with a file, a cell or an option: one sentence for the person who gave it."""


@dataclass(frozen=True, slots=True)
class Rule:
    """What a number must satisfy: in words, and as a test of a whole column of finite numbers."""

    says: str
    holds: Callable[[FloatArray], BoolArray]


def _whole(values: FloatArray) -> BoolArray:
    return np.equal(values, np.floor(values)) & (values <= LARGEST_WHOLE)


ANY = Rule("it must be a finite number", np.isfinite)
TIME = Rule("a time must be a number, 0 or more", lambda values: values >= 0)
ENTRY = Rule("an entry must be a number, 0 or more", TIME.holds)
FLAG = Rule("it must be 1 (failed) or 0 (not)", lambda values: np.isin(values, (0, 1)))
COUNT = Rule("it must be a whole number, 0 or more", lambda values: (values >= 0) & _whole(values))
CAUSE = Rule("it must be 0 (censored) or the whole number of a cause, from 1 on", COUNT.holds)
TOTAL = Rule("a total must be a whole number, 1 or more", lambda values: (values >= 1) & _whole(values))
RISK = Rule("a risk must lie between 0 and 1 and be neither", lambda values: (values > 0) & (values < 1))


@dataclass(frozen=True, slots=True)
class Column:
    """One column as text, with the spreadsheet's number of each row."""

    name: str
    text: Sequence[str]
    rows: Sequence[int]

    def refuse(self, place: int, rule: str) -> NoReturn:
        """Refuse the cell at `place` (from 0) for breaking `rule`."""
        cell = self.text[place]
        value = "no value" if cell in MISSING else shown(cell)
        raise InputError(f"Column {shown(self.name)}, row {self.rows[place]} has {value}: {rule}; {MEND}.")

    def require(self, holds: BoolArray, rule: str) -> None:
        """Refuse the first row where `holds` is false."""
        wrong = np.flatnonzero(~holds)
        if wrong.size:
            self.refuse(int(wrong[0]), rule)

    @property
    def missing(self) -> BoolArray:
        return np.fromiter((cell in MISSING for cell in self.text), np.bool_, len(self.text))

    def labels(self) -> Labels:
        """The text of each row; none may be missing."""
        self.require(~self.missing, "every row needs a value here")
        return np.array(self.text, dtype=object)

    def numbers(self, rule: Rule = ANY) -> FloatArray:
        """The number in each row; none may be missing."""
        self.require(~self.missing, rule.says)
        return self.optional_numbers(rule)

    def optional_numbers(self, rule: Rule = ANY) -> FloatArray:
        """The number in each row, NaN where it is missing."""
        filled = ~self.missing
        self.require(~filled | self._like(NUMBER), f"that is not a number, and {rule.says}")
        values = np.full(len(self.text), np.nan)
        values[filled] = np.array(self.text, dtype=object)[filled].astype(np.float64)
        self.require(~filled | np.isfinite(values), ANY.says)
        self.require(~filled | rule.holds(values), rule.says)
        return values

    def dates(self) -> Dates:
        """The day in each row; none may be missing."""
        self.require(~self.missing, "every row needs a date here, as 2026-01-31")
        return self.optional_dates()

    def optional_dates(self) -> Dates:
        """The day in each row, NaT where it is missing."""
        days = [cell if cell not in MISSING else "NaT" for cell in self.text]
        real = np.fromiter((day == "NaT" or is_date(day) for day in days), np.bool_, len(days))
        self.require(real, "that is not a date as 2026-01-31")
        return np.array(days, dtype="datetime64[D]")

    def covariate(self, levels: bool) -> FloatArray | Labels:
        """Numbers, NaN where missing; or, for text or if `levels` are asked for, labels, None if missing."""
        number, missing = self._like(NUMBER), self.missing
        if levels or not np.any(number):
            return np.array([None if cell in MISSING else cell for cell in self.text], dtype=object)
        mend = f"or read the column as text by --reference {self.name}=LEVEL"
        self.require(number | missing, f"that is text in a column of numbers ({mend})")
        return self.optional_numbers()

    def _like(self, pattern: re.Pattern[str]) -> BoolArray:
        matches = (pattern.fullmatch(cell) is not None for cell in self.text)
        return np.fromiter(matches, np.bool_, len(self.text))


@dataclass(frozen=True, slots=True)
class Table:
    """A file's cells as stripped text under a header of distinct names; blank lines left out."""

    file: str
    header: tuple[str, ...]
    cells: Sequence[Sequence[str]]
    rows: Sequence[int]

    def __len__(self) -> int:
        return len(self.rows)

    def column(self, name: str) -> Column:
        """The column of this name."""
        if name not in self.header:
            raise InputError(f"{self.file} has no column {shown(name)}; {self._known()}.")
        place = self.header.index(name)
        return Column(name, [row[place].strip() for row in self.cells], self.rows)

    def _known(self) -> str:
        if len(self.header) == 1 and re.search("[;\t]", self.header[0]):
            return f"its cells seem not to be separated by commas: {SAVE_AS}"
        named = ", ".join(shown(name) for name in islice(self.header, MOST_NAMED))
        more = len(self.header) - MOST_NAMED
        return f"its columns are {named}" + (f" and {more} more" if more > 0 else "")


def shown(text: str) -> str:
    """A value in quotes for a message: control characters escaped, so that it stays on one line."""
    return repr(text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 1]}…")


def is_date(text: str) -> bool:
    """Whether the text is a day that exists, as 2026-01-31."""
    try:
        return DATE.fullmatch(text) is not None and bool(date.fromisoformat(text))
    except ValueError:
        return False


def read(path: Path) -> Table:
    """Read a CSV file whole, as text.

    The csv module reads, not pandas: pandas fills short rows up and so hides that cells are lacking.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not text in UTF-8, not CSV, empty, or a header; if a column name
        comes twice; or if a row has more or fewer cells than the header.
    """
    file = shown(path.name)
    numbered = _records(_text(path, file), file)
    first, header = next(numbered, (0, []))
    if not header:
        raise InputError(f"{file} is empty: give a CSV file with a header and at least one row.")
    names = tuple(name.strip() for name in header)
    _check_names(file, names)
    rows, cells = [], []
    for row, record in numbered:
        if len(record) != len(names):
            raise InputError(
                f"{file}, row {row} has {len(record)} cells where the header has {len(names)}: "
                "give every row one cell for each column, in quotes where a cell holds a comma."
            )
        rows.append(row)
        cells.append(record)
    if not rows:
        raise InputError(f"{file} has a header in row {first} and no row below it: give at least one row.")
    return Table(file, names, cells, rows)


def _text(path: Path, file: str) -> str:
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{file} is not text in UTF-8 (byte {error.start + 1}): {SAVE_AS}.") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"{file} cannot be read ({reason}): give the path of a CSV file.") from error
    if "\0" in text:
        raise InputError(f"{file} is not text (it holds a zero byte): {SAVE_AS}.")
    return text


def _records(text: str, file: str) -> Iterator[tuple[int, list[str]]]:
    """Every record that is no blank line, with its row number."""
    row = 0
    try:
        # Line ends are kept as they are: inside quotes they belong to the cell.
        for row, record in enumerate(csv.reader(StringIO(text, newline=""), strict=True), start=1):
            if record:
                yield row, record
    except csv.Error as error:
        raise InputError(f"{file}, row {row + 1} is not CSV ({error}): {SAVE_AS}.") from error


def _check_names(file: str, names: tuple[str, ...]) -> None:
    first: dict[str, int] = {}
    for place, name in enumerate(names, start=1):
        if first.setdefault(name, place) != place:
            raise InputError(
                f"{file} has two columns named {shown(name)} (columns {first[name]} and {place}): "
                "give each its own name."
            )
