"""From a value that was read back to the cell it stands in, to say what is wrong there. Pure."""

from collections.abc import Sequence

from registry.intake.columns.mapping import Column, Mapping
from registry.intake.columns.meaning import MeantRow
from registry.intake.columns.targets import rooted
from registry.intake.columns.words import typed
from registry.intake.file.sheet import Sheet, letters
from registry.intake.problem import Problem


class Places:
    """The cells of a file, by row and target key."""

    def __init__(self, sheets: Sequence[Sheet], mapping: Mapping) -> None:
        self._sheets = {sheet.name: sheet for sheet in sheets}
        self._columns = {
            each.sheet: {column.place: column for column in each.columns} for each in mapping.sheets
        }

    def problem(self, row: MeantRow, key: str, rule: str, mend: str) -> Problem:
        """What is wrong with the cell that a key was read from; with the row, where no cell says it."""
        place = row.places.get(key)
        if place is None:
            return Problem(row.sheet, row.row, "", "", "", rule, mend)
        column = self._columns[row.sheet].get(place)
        header = column.header if column else ""
        value = typed(self._sheets[row.sheet].rows[row.row - 1][place])
        return Problem(row.sheet, row.row, letters(place), header, value, rule, mend)

    def part_of(self, problem: Problem) -> str:
        """The part that the column of a problem fills, "" where it is of the whole row."""
        for column in self._columns.get(problem.sheet, {}).values():
            if letters(column.place) == problem.column:
                return column.target.partition(".")[0]
        return ""

    def says_which_tear(self, row: MeantRow, root: str) -> bool:
        """Whether a sheet numbers the tears it has findings of: by its headers, or by telling of several."""
        columns = [each for each in self._columns[row.sheet].values() if _finds(each, root)]
        several = {each.target.partition(".")[0] for each in columns} - {f"{root}1"}
        return bool(several) or any("1" in each.header for each in columns)


def _finds(column: Column, root: str) -> bool:
    part = column.target.partition(".")[0]
    return part != root and rooted(part) == root


def named(row: MeantRow, beside: MeantRow | None = None) -> str:
    """A row in words; its sheet too, unless it is that of the row beside which it is named."""
    return f"row {row.row}" if beside and beside.sheet == row.sheet else f"row {row.row} of {row.sheet}"
