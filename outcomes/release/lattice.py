"""The lattice of combinations of steps: how many rows each leaves in too small a class, and which is best."""

from collections.abc import Callable, Iterator, Sequence
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from registry.telling import Tell

Node = tuple[int, ...]
Integers = NDArray[np.integer[Any]]

# Losses are compared to this many decimals, so that sums in another order are the same loss.
_DECIMALS = 12
_LARGEST_KEY = 2**62
# Up to so many numbers a combination, counting by number is quicker than closing the gaps between them first.
_MOST_GAPS = 16


class Classes:
    """Rows folded into distinct combinations of codes, to be counted in patients at any node of the lattice.

    `forms[a][s]` are the codes of attribute a at step s, one a row, from 0; steps of one attribute must nest.
    `patients` are codes too. Most patients have all their rows in one combination: these are counted once
    and for all, and only the pairs of combination and patient of the others anew at each node.
    """

    def __init__(self, forms: Sequence[Sequence[Integers]], patients: Integers) -> None:
        self._combination = pd.factorize(_numbered([steps[0] for steps in forms], len(patients)))[0]
        self._rows = np.bincount(self._combination)
        first = np.unique(self._combination, return_index=True)[1]
        self._forms = [[form[first] for form in steps] for steps in forms]
        pairs = np.unique(np.column_stack([self._combination, patients]), axis=0)
        several = np.bincount(pairs[:, 1])[pairs[:, 1]] > 1
        self._alone = np.bincount(pairs[~several, 0], minlength=len(first))
        self._several = pairs[several]

    def too_small(self, node: Node, k: int, enough: int | None = None) -> int:
        """Count the rows in classes of fewer than `k` patients at a node; over `enough`, at least so many."""
        member = self._members(node)
        rows = np.bincount(member, weights=self._rows)
        # Fewer than k rows are fewer than k patients, and quicker to count.
        if enough is not None and (surely := int(rows[rows < k].sum())) > enough:
            return surely
        return int(rows[self._small(member, k)].sum())

    def stand_out(self, node: Node, k: int) -> NDArray[np.bool_]:
        """Tell of each row whether its class at a node has fewer than `k` patients."""
        member = self._members(node)
        out: NDArray[np.bool_] = self._small(member, k)[member][self._combination]
        return out

    def _members(self, node: Node) -> Integers:
        """Number the class of each combination at a node."""
        columns = [steps[step] for steps, step in zip(self._forms, node, strict=True)]
        return _numbered(columns, len(self._rows))

    def _small(self, member: Integers, k: int) -> NDArray[np.bool_]:
        """Tell of each class whether it has fewer than `k` patients."""
        patients = np.bincount(member, weights=self._alone)
        # Where those counted already are enough, the others need no counting.
        unsure = self._several[patients[member[self._several[:, 0]]] < k]
        pairs = pd.DataFrame({"member": member[unsure[:, 0]], "patient": unsure[:, 1]}).drop_duplicates()
        patients += np.bincount(pairs["member"], minlength=len(patients))
        small: NDArray[np.bool_] = patients < k
        return small


def _numbered(columns: Sequence[Integers], length: int) -> Integers:
    """Number the combinations of columns of codes, from 0, with gaps while there are few."""
    key, size = np.zeros(length, dtype=np.int64), 1
    for column in columns:
        values = int(column.max(initial=0)) + 1
        if size * values > _LARGEST_KEY:
            key = pd.factorize(key)[0]
            size = int(key.max(initial=0)) + 1
        if values > 1:
            key, size = key * values + column, size * values
    return key if size <= _MOST_GAPS * length else pd.factorize(key)[0]


class Lattice:
    """All combinations of steps, each with its loss, and what is known of each so far.

    A node that fails rules out all finer ones, and one that holds all of more loss (predictive tagging:
    El Emam K et al. J Am Med Inform Assoc 2009;16:670-82).
    """

    def __init__(self, losses: Sequence[Sequence[float]], highest: Node) -> None:
        nodes = list(product(*(range(top + 1) for top in highest)))
        self.nodes = nodes
        # One row an attribute: what is compared at once lies together.
        self._steps = np.array(nodes, dtype=np.int8).reshape(len(nodes), len(highest)).T.copy()
        self.loss = np.zeros(len(nodes))
        for column, steps in enumerate(losses):
            self.loss += np.asarray(steps)[self._steps[column]]
        self.loss = self.loss.round(_DECIMALS)
        self._index = {node: number for number, node in enumerate(nodes)}
        self._failing = np.zeros(len(nodes), dtype=bool)
        self.tried: dict[int, int] = {}

    def best(self, too_small: Callable[[Node], int], allowed: int, tell: Tell) -> Node | None:
        """Find the node of least loss that leaves at most `allowed` rows in too small a class, or None.

        Of equal losses the one that leaves fewest rows, then the one of fewest steps, then the finest in the
        order of the attributes.
        """
        least = np.inf
        while (chain := self._chain(least)) is not None:
            least = min(least, self._along(chain, too_small, allowed))
            tell("Trying combinations", int(self._settled(least).sum()), len(self.nodes))
        equal = np.flatnonzero((self.loss == least) & ~self._failing)
        tried = [(self._try(int(number), too_small), self.nodes[number]) for number in equal]
        return min(
            ((rows, sum(node), node) for rows, node in tried if rows <= allowed), default=(0, 0, None)
        )[2]

    def _settled(self, least: float) -> NDArray[np.bool_]:
        settled: NDArray[np.bool_] = self._failing | (self.loss >= least)
        return settled

    def _chain(self, least: float) -> list[int] | None:
        """Give a chain of open nodes, from that of least loss as far up as they go; None if none is open."""
        settled = self._settled(least)
        if settled.all():
            return None
        chain = [int(np.where(settled, np.inf, self.loss).argmin())]
        while above := [number for number in self._above(chain[-1]) if not settled[number]]:
            chain.append(min(above, key=lambda number: float(self.loss[number])))
        return chain

    def _above(self, number: int) -> Iterator[int]:
        node = self.nodes[number]
        for column in range(len(node)):
            above = self._index.get((*node[:column], node[column] + 1, *node[column + 1 :]))
            if above is not None:
                yield above

    def _along(self, chain: list[int], too_small: Callable[[Node], int], allowed: int) -> float:
        """Halve a chain down to its finest node that holds, and give that one's loss; its top goes first."""
        least, low, high, middle = np.inf, 0, len(chain), len(chain) - 1
        while low < high:
            if self._try(chain[middle], too_small) <= allowed:
                least, high = float(self.loss[chain[middle]]), middle
            else:
                self._failing |= (self._steps <= self._steps[:, [chain[middle]]]).all(axis=0)
                low = middle + 1
            middle = (low + high) // 2
        return least

    def _try(self, number: int, too_small: Callable[[Node], int]) -> int:
        if number not in self.tried:
            self.tried[number] = too_small(self.nodes[number])
        return self.tried[number]
