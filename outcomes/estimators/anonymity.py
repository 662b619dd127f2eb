"""How far a table hides the people in it: k-anonymity, distinct l-diversity, t-closeness, rows at risk.

Three counts that pandas makes itself: the one library for them pins numpy, scipy and a report writer to exact
old versions for the whole installation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from outcomes.estimators.cautions import Caution

FORMULA = (
    "k = size of the smallest class; l = fewest different sensitive values in a class; t = largest over "
    "classes of half the sum of |share in the class - share in all|; risk of a row 1 / size of its class."
)
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
    All columns are compared as text: t is the distance for values without an order (Li et al. 2007, section
    4.1), whether they are numbers or words.
    """
    by, columns = [*keys], _named(frame, keys, sensitive)
    table = frame[columns].astype(object).where(frame[columns].notna(), "").astype(str).reset_index(drop=True)
    member = table.groupby(by).ngroup()
    sizes = member.map(member.value_counts())
    distinct_l, t_closeness = (None, None) if sensitive is None else _spread(member, table[sensitive])
    return Anonymity(
        n=len(table),
        k=int(sizes.min()),
        classes=int(member.nunique()),
        distinct_l=distinct_l,
        t_closeness=t_closeness,
        class_sizes=tuple(sizes.astype(int).tolist()),
        method=METHOD,
        reference=REFERENCE,
        cautions=(),
    )


def _spread(member: pd.Series[int], sensitive: pd.Series[str]) -> tuple[int, float]:
    """Give distinct l and t-closeness from the table of classes by sensitive values."""
    counts = pd.crosstab(member, sensitive)
    inside = counts.div(counts.sum(axis=1), axis=0)
    distance = (inside - counts.sum() / len(member)).abs().sum(axis=1) / 2
    return int((counts > 0).sum(axis=1).min()), float(distance.max())


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
