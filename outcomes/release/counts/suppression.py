"""Which cells of a table of counts are hidden, so that none can be worked out from the others.

Pure. A cell or margin of fewer than the limit is hidden (primary suppression); so are as few more as needed
that its value cannot be worked out from the margins (secondary suppression). What is shown and what is hidden
is a network of flows: rows and columns are nodes, cells are edges, and a hidden cell can have another value
just when it lies on a cycle of hidden cells that may rise and fall in turn. The cheapest such cycle is found
as a shortest path. Own code: no library in use here hides cells of tables.

Method: Kelly JP, Golden BL, Assad AA. Networks 1992;22:397-417 (cell suppression). From memory.
"""

import heapq
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Cell = tuple[int, int]

HIDDEN = -1
# A margin is worth more to a reader than any cell, so it is hidden only when no cell will do.
_MARGIN_COST = 1_000_000

TOO_FEW = (
    "The table holds {total}, fewer than the limit of {limit}: it cannot be released. Widen the cohort, or "
    "take fewer splits."
)
NO_PARTNER = (
    "The count at row {row}, column {column} could be worked out from the others whatever else is hidden. "
    "Take splits with fewer levels, or widen the cohort."
)


class CannotSuppressError(ValueError):
    """A table that cannot be made safe by hiding cells."""


@dataclass(frozen=True, slots=True)
class Suppressed:
    """A table with its margins, as it may be shown.

    `shown` has the shape (rows + 1, columns + 1), margins last, HIDDEN where a count is hidden; `small` marks
    those hidden for their own sake, which nobody outside may learn, and is not released.
    """

    shown: IntArray
    small: BoolArray

    @property
    def hidden(self) -> BoolArray:
        """Which cells are hidden."""
        return np.equal(self.shown, HIDDEN)


def with_margins(table: ArrayLike) -> IntArray:
    """A table with its row totals as last column and its column totals as last row."""
    inner = np.asarray(table, dtype=np.int64)
    rows = np.column_stack([inner, inner.sum(axis=1)])
    return np.vstack([rows, rows.sum(axis=0)])


def suppress(table: ArrayLike, limit: int, people: ArrayLike | None = None) -> Suppressed:
    """Hide cells of a two-way table, so that none hidden can be worked out.

    Parameters
    ----------
    table : array_like of int, shape (rows, columns)
        Counts, 0 or more, without margins.
    limit : int
        The smallest count shown, 1 or more; 0 is shown.
    people : array_like of int, shape (rows + 1, columns + 1), optional
        Different people behind each cell and margin; a count of fewer than `limit` people is hidden too.

    Returns
    -------
    Suppressed
        Whoever knows all that is shown, that every hidden count is 1 or more, and that rows and columns add
        up, is left with two values or more for each hidden count.

    Raises
    ------
    ValueError
        If the table is no two-way table of counts, or `limit` is below 1.
    CannotSuppressError
        If the whole is smaller than the limit, or some count can be worked out whatever is hidden.
    """
    full = _checked(table, limit)
    behind = full if people is None else np.asarray(people, dtype=np.int64)
    if behind.shape != full.shape:
        raise ValueError(f"people has the shape {behind.shape}: give {full.shape}, margins last")
    small = (full > 0) & (behind < limit)
    if small[-1, -1] or full[-1, -1] == 0:
        raise CannotSuppressError(TOO_FEW.format(total=full[-1, -1], limit=limit))
    network = _Network(full, small.copy())
    for cell in _cells(small):
        network.protect(cell)
    network.show_again(small)
    return Suppressed(np.where(network.hidden, HIDDEN, full), small)


def _checked(table: ArrayLike, limit: int) -> IntArray:
    inner = np.asarray(table)
    if inner.ndim != 2 or inner.size == 0:
        raise ValueError(f"table has the shape {inner.shape}: give rows and columns, at least one of each")
    if (inner < 0).any() or (inner != inner.astype(np.int64)).any():
        raise ValueError("table holds something that is no count; give whole numbers, 0 or more")
    if limit < 1:
        raise ValueError(f"limit is {limit}: it must be 1 or more")
    return with_margins(inner)


def _cells(mask: BoolArray) -> Iterator[Cell]:
    for row, column in np.argwhere(mask):
        yield int(row), int(column)


class _Network:
    """Rows and columns as nodes, counts as edges between them; the margins are a row and a column too.

    Along each row and column the signed counts add up to nothing, a margin counting against its cells. So a
    change goes round a cycle, and adds at one edge what it takes from the next. From a row to a column it
    adds, from a column to a row it takes; at a margin the other way round, the whole table apart.
    """

    def __init__(self, full: IntArray, hidden: BoolArray) -> None:
        self.full, self.hidden = full, hidden
        self.rows, self.columns = full.shape
        self.is_margin = np.zeros(full.shape, dtype=np.bool_)
        self.is_margin[-1, :] = self.is_margin[:, -1] = True
        self.is_against = self.is_margin.copy()
        self.is_against[-1, -1] = False
        self.cost = np.where(self.is_margin, _MARGIN_COST, 0) + full

    def protect(self, cell: Cell) -> None:
        """Hide what else has to be hidden, so that this cell can have another value."""
        cycle = self._cycle(cell, self.hidden)
        if cycle is not None:
            return
        everything = self.full > 0
        everything[-1, -1] = False
        cycle = self._cycle(cell, everything)
        if cycle is None:
            raise CannotSuppressError(NO_PARTNER.format(row=cell[0] + 1, column=cell[1] + 1))
        for row, column in cycle:
            self.hidden[row, column] = True

    def show_again(self, small: BoolArray) -> None:
        """Show what is hidden for the others' sake and turned out needless, the costliest first."""
        for cell in sorted(_cells(self.hidden & ~small), key=lambda each: -self.cost[each]):
            self.hidden[cell] = False
            if any(self._cycle(other, self.hidden) is None for other in _cells(self.hidden)):
                self.hidden[cell] = True

    def _cycle(self, cell: Cell, usable: BoolArray) -> list[Cell] | None:
        """The cheapest cycle on which this cell rises, or falls, through usable cells; None without one."""
        ways = []
        for adding in (True, False):
            if self._may_move(cell, forward=adding):
                found = self._path(cell, usable, forward=adding)
                if found is not None:
                    ways.append(found)
        return min(ways)[1] if ways else None

    def _may_move(self, cell: Cell, *, forward: bool) -> bool:
        """A count that falls must be 2 or more: hidden counts are known to be at least 1."""
        rises = forward != self.is_against[cell]
        return bool(rises or self.full[cell] >= 2)

    def _path(self, cell: Cell, usable: BoolArray, *, forward: bool) -> tuple[int, list[Cell]] | None:
        """Shortest way back to where the cell's edge began (Dijkstra), the edge itself left out."""
        row, column = cell[0], self.rows + cell[1]
        start, end = (column, row) if forward else (row, column)
        done: set[int] = set()
        waiting: list[tuple[int, int, list[Cell]]] = [(0, start, [])]
        while waiting:
            spent, node, way = heapq.heappop(waiting)
            if node == end:
                return spent, [cell, *way]
            if node in done:
                continue
            done.add(node)
            for other, step in self._steps(node, usable, cell):
                if other not in done:
                    price = 0 if self.hidden[step] else int(self.cost[step])
                    heapq.heappush(waiting, (spent + price, other, [*way, step]))
        return None

    def _steps(self, node: int, usable: BoolArray, without: Cell) -> Iterator[tuple[int, Cell]]:
        if node < self.rows:
            edges = [(self.rows + column, (node, column)) for column in range(self.columns)]
        else:
            edges = [(row, (row, node - self.rows)) for row in range(self.rows)]
        for other, step in edges:
            if step != without and usable[step] and self._may_move(step, forward=node < self.rows):
                yield other, step
