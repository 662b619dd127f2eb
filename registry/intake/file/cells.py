"""Cells of a workbook's XML in, plain values out, and what is no value said to be none."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from openpyxl.utils import coordinate_to_tuple
from openpyxl.utils.datetime import WINDOWS_EPOCH
from openpyxl.worksheet._reader import FORMULA_TAG, INLINE_STRING, VALUE_TAG, WorkSheetParser
from openpyxl.xml.constants import SHEET_MAIN_NS

from registry.intake.file.sheet import Unreadable, Value
from registry.intake.file.shown_numbers import NEVER_A_DAY, Shown, plainly
from registry.intake.file.table import cleaned

_ERRORS = {
    "#REF!": "Its formula points to a cell that is gone.",
    "#DIV/0!": "Its formula divides by nothing.",
    "#N/A": "Its formula found no value.",
    "#NAME?": "Its formula uses a name that the workbook does not know.",
    "#VALUE!": "Its formula takes a value of the wrong kind.",
    "#NUM!": "Its formula gives no number.",
    "#NULL!": "Its formula crosses ranges that do not meet.",
}
_NOT_WORKED_OUT = "It holds a formula whose result is not stored in the file."
_NOT_A_DATE = "It is formatted as a date, but no date has this number."
_LONGEST_FORMULA = 60
_RUN_TAG, _TEXT_TAG = f"{{{SHEET_MAIN_NS}}}r", f"{{{SHEET_MAIN_NS}}}t"


class CellParser(WorkSheetParser):
    """openpyxl's own parser of cells, whose results say what is no value instead of passing it over.

    openpyxl's reading of values leaves merged cells, hidden rows and missing results out; its full reading
    takes twice the time and memory, and would have to be done twice. Texts that cells share come plain.
    """

    shown: Mapping[int, Shown]
    col_counter: int

    def parse_cell(self, element: Any) -> dict[str, Any]:
        """One cell: its column, from 1, and its value as `Sheet` has it."""
        if element.get("t") == "inlineStr":
            return self._inline(element)
        cell: dict[str, Any] = super().parse_cell(element)
        value = cell["value"]
        if value is None:
            cell["value"] = _formula(element)
        elif not isinstance(value, str):
            cell["value"] = self._number(value, cell["style_id"], element)
        elif cell["data_type"] == "e":
            cell["value"] = _error(cell, element)
        elif element.get("t") != "s":  # shared texts are plain already
            cell["value"] = plain_text(value)
        return cell

    def _inline(self, element: Any) -> dict[str, Any]:
        """A cell that holds its text itself; openpyxl reads its fonts too, which takes as long again."""
        place = element.get("r")
        self.col_counter = coordinate_to_tuple(place)[1] if place else self.col_counter + 1
        string = element.find(INLINE_STRING)
        pieces = (
            piece.text if piece.tag == _TEXT_TAG else piece.findtext(_TEXT_TAG)
            for piece in (() if string is None else string)
            if piece.tag in (_TEXT_TAG, _RUN_TAG)
        )
        text = "".join(piece or "" for piece in pieces)
        return {"column": self.col_counter, "value": plain_text(text)}

    def _number(self, value: Any, style: int, element: Any) -> Value:
        if isinstance(value, datetime) and self._is_never_a_day(value, element):
            return NEVER_A_DAY
        plain = plainly(value)
        return self.shown[style](plain) if style in self.shown else plain

    def _is_never_a_day(self, value: datetime, element: Any) -> bool:
        """Day 60 of the count from 1900, which spreadsheets take for a leap year; openpyxl gives the 28th."""
        is_near = self.epoch == WINDOWS_EPOCH and (value.year, value.month, value.day) == (1900, 2, 28)
        return is_near and element.get("t", "n") == "n" and float(element.findtext(VALUE_TAG)) >= 60


def _formula(element: Any) -> Value:
    """A formula without a result; None for an empty cell and for a formula whose result is empty text."""
    formula = element.find(FORMULA_TAG)
    if formula is None or (element.get("t") == "str" and element.find(VALUE_TAG) is not None):
        return None
    return Unreadable(f"={formula.text or ''}"[:_LONGEST_FORMULA], _NOT_WORKED_OUT)


def _error(cell: dict[str, Any], element: Any) -> Value:
    if element.get("t") != "e":
        return Unreadable(element.findtext(VALUE_TAG), _NOT_A_DATE)
    return Unreadable(cell["value"], _ERRORS.get(cell["value"], "Its formula gives an error."))


def plain_text(text: str) -> str | None:
    """A text as a person sees it, without carriage returns as the file format writes them."""
    return cleaned(text.replace("_x000D_", "") if "_x" in text else text)
