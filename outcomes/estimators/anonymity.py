"""How far a table hides the people in it: k-anonymity, distinct l-diversity, t-closeness, rows at risk."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd
from pycanon.anonymity import k_anonymity, l_diversity, t_closeness

from outcomes.estimators.cautions import Caution

METHOD = (
    "Rows alike in all keys form a class: k is the smallest class, distinct l the fewest different sensitive "
    "values in a class, t the largest distance (half the sum of absolute differences) between the sensitive "
    "values of a class and of all rows. A missing or empty value is a value of its own."
)
REFERENCE = (
    "Samarati P, Sweeney L. SRI-CSL-98-04, 1998 (k). Machanavajjhala A et al. ACM Trans Knowl Discov Data "
    "2007;1:3 (l). Li N, Li T, Venkatasubramanian S. ICDE 2007:106-15 (t)."
)


@dataclass(frozen=True, slots=True)
class Anonymity:
    """Anonymity of `n` rows by their keys; `class_sizes` has the size of each row's class, in their order.

    `distinct_l` and `t_closeness` are None without a sensitive column.
    """

    n: int
    k: int
    classes: int
    distinct_l: int | None
    t_closeness: float | None
    class_sizes: tuple[int, ...]
    method: str
    reference: str
    cautions: tuple[Caution, ...]

    @property
    def highest_risk(self) -> float:
        """The chance that somebody who knows the keys of a person in the table picks their row."""
        return 1 / self.k

    @property
    def mean_risk(self) -> float:
        """The same, averaged over all rows."""
        return self.classes / self.n

    def rows_below(self, size: int) -> tuple[int, ...]:
        """Give the positions, from 0, of rows whose class is smaller than `size`."""
        return tuple(row for row, alike in enumerate(self.class_sizes) if alike < size)


def anonymity(frame: pd.DataFrame, keys: Sequence[str], sensitive: str | None = None) -> Anonymity:
    """Measure the anonymity of a table.

    Parameters
    ----------
    frame : DataFrame
        One row a record.
    keys : sequence of str
        Columns by which somebody could know a person (quasi-identifiers).
    sensitive : str, optional
        A column that nobody should learn about a person.

    Raises
    ------
    ValueError
        If the table has no row, no key is named, a column is missing, or the sensitive one is a key.

    Notes
    -----
    All columns are compared as text, for pycanon measures numbers by another distance. It costs time in
    proportion to classes times different sensitive values.
    """
    by, columns = [*keys], _named(frame, keys, sensitive)
    # pycanon reads rows by position and leaves missing keys out, so neither an index nor a gap may remain.
    table = frame[columns].astype(object).where(frame[columns].notna(), "").astype(str).reset_index(drop=True)
    sizes = table.groupby(by)[by[0]].transform("size")
    return Anonymity(
        n=len(table),
        k=int(k_anonymity(table, by)),
        classes=table.groupby(by).ngroups,
        distinct_l=None if sensitive is None else int(l_diversity(table, by, [sensitive])),
        t_closeness=None if sensitive is None else float(t_closeness(table, by, [sensitive])),
        class_sizes=tuple(sizes.astype(int).tolist()),
        method=METHOD,
        reference=REFERENCE,
        cautions=(),
    )


def _named(frame: pd.DataFrame, keys: Sequence[str], sensitive: str | None) -> list[str]:
    """Check the columns asked for and list them, keys first."""
    if not len(frame):
        raise ValueError("frame has no row: anonymity is of people in a table; give at least one")
    if not keys:
        raise ValueError("keys is empty: name the columns by which somebody could know a person")
    if sensitive in keys:
        raise ValueError(f"sensitive is {sensitive}: it must not be one of the keys; take it out of them")
    columns = [*keys, *([] if sensitive is None else [sensitive])]
    twice = [name for name in columns if columns.count(name) > 1]
    if twice:
        raise ValueError(f"keys has {twice[0]} twice: name each column once")
    missing = [name for name in columns if name not in frame]
    if missing:
        raise ValueError(f"frame has no column {missing[0]}: it has {', '.join(map(str, frame.columns))}")
    return columns
