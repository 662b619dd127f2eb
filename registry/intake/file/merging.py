"""Merged cells of a sheet filled with the value that a person sees across them."""

from collections.abc import Iterable, Sequence

from openpyxl.utils import range_boundaries

from registry.intake.file.limits import MOST_CELLS, too_many_cells
from registry.intake.file.sheet import FileRefused, Value


def filled(rows: Sequence[list[Value]], ranges: Iterable[str]) -> tuple[str, ...]:
    """Give merged cells the value of their first one, within rows and columns in use; the ranges filled.

    Raises
    ------
    FileRefused
        If the ranges together cover more than a sheet can have, which only overlapping ones do.
    """
    width = max(map(len, rows), default=0)
    done, covered = [], 0
    for top, left, right, bottom, each in sorted(map(_bounds, ranges)):
        right, bottom = min(right, width), min(bottom, len(rows))
        covered += max(0, right - left + 1) * max(0, bottom - top + 1)
        if covered > MOST_CELLS:
            raise FileRefused(too_many_cells())
        if _fill(rows[top - 1 : bottom], left - 1, right):
            done.append(each)
    return tuple(done)


def _bounds(each: str) -> tuple[int, int, int, int, str]:
    """First row, first column, last column and last row of a range, all from 1, and the range."""
    left, top, right, bottom = range_boundaries(each)
    return top, left, right, bottom, each


def _fill(rows: Sequence[list[Value]], left: int, right: int) -> bool:
    value = rows[0][left] if rows and left < len(rows[0]) else None
    if value is None:
        return False
    for row in rows:
        row.extend([None] * (right - len(row)))
        row[left:right] = [value] * (right - left)
    return True
