"""Generalises a table until nobody in it stands out: k-anonymity counted in people, with the least loss.

The lattice of all combinations of steps is searched for the least general loss (Iyengar VS. KDD 2002:279-88)
for which no more than a stated share of rows is left in too small a class; these rows are dropped. A column
has one form for all rows. The loss is that of the forms alone: the rows dropped are told of beside it, within
their own limit.
"""

from collections import Counter
from collections.abc import Collection, Sequence
from itertools import combinations, groupby
from operator import itemgetter

import pandas as pd

from outcomes.estimators.anonymity import anonymity
from outcomes.release.asked import MOST_SUPPRESSED
from outcomes.release.forms import Forms
from outcomes.release.frozen import Hidden
from outcomes.release.hierarchies import GIVEN_UP, Attribute
from outcomes.release.lattice import Classes, Lattice, Node
from registry.telling import Tell, silently

# What a product such as 0.29 x 100 may fall short of the whole number that it is.
_ROUNDING = 1e-9
# A key of everybody, for a table that is asked for without attributes.
_EVERYONE = "everyone"


class CannotHideError(ValueError):
    """The table cannot be generalised far enough; `attributes` are the codes of those in the way."""

    def __init__(self, message: str, attributes: tuple[str, ...]) -> None:
        super().__init__(message)
        self.attributes = attributes


def hide(
    rows: pd.DataFrame,
    attributes: Sequence[Attribute],
    *,
    k: int,
    most_suppressed: float = MOST_SUPPRESSED,
    patient: str = "patient",
    sensitive: str = "outcome",
    needed: Collection[str] = (),
    tell: Tell = silently,
) -> tuple[pd.DataFrame, Hidden]:
    """Generalise the attributes' columns with the least loss, and drop what still stands out.

    Parameters
    ----------
    rows : DataFrame
        One row a repair, with a column for each attribute at its finest codes, `patient` and `sensitive`.
    attributes : sequence of Attribute
        The quasi-identifiers that are asked for.
    k : int
        Fewest different patients, not rows, that share a combination of codes.
    most_suppressed : float
        Largest share of rows that may be dropped, 0 or more and under 1.
    needed : collection of str
        Codes of attributes that may be coarsened but not given up.
    tell : callable
        Told a label, how many combinations are settled, and of how many; what it raises ends the search.

    Returns
    -------
    The released rows in their order, and how far they hide their people. `suppressed_by` tells for each
    attribute how many of the rows dropped would have stayed if it alone had been given up.

    Raises
    ------
    CannotHideError
        If no combination of steps will do. In the way are all attributes where there are fewer than `k`
        patients; else, with all at the coarsest form allowed, those of the smallest sets of needed ones whose
        giving up would do.
    ValueError
        If a column is missing, holds a code that its attribute does not have, or a limit makes no sense.
    """
    _check(rows, attributes, k, most_suppressed, (patient, sensitive), needed)
    search = _Search(rows, attributes, k, int(most_suppressed * len(rows) + _ROUNDING), patient, needed)
    node = search.best(tell)
    released = search.released(rows, node)
    hidden = search.told(node, released, patient, sensitive)
    # Counted again on the very rows that leave, by another way than the search's.
    if hidden.patients < k:
        raise AssertionError(f"{hidden.patients} patients are alike where {k} must be: nothing is released")
    return released, hidden


class _Search:
    """One search: the rows as codes, the lattice, and what was asked."""

    def __init__(
        self,
        rows: pd.DataFrame,
        attributes: Sequence[Attribute],
        k: int,
        allowed: int,
        patient: str,
        needed: Collection[str],
    ) -> None:
        _check_patients(rows[patient].nunique(), k, attributes)
        self._k, self._allowed = k, allowed
        self._forms = [Forms(attribute, rows[attribute.code]) for attribute in attributes]
        self._classes = Classes([form.steps for form in self._forms], pd.factorize(rows[patient])[0])
        self._last = tuple(len(one.steps) for one in attributes)
        self._highest = tuple(len(one.steps) - (one.code in needed) for one in attributes)
        self._lattice = Lattice([form.losses for form in self._forms], self._highest)

    def best(self, tell: Tell) -> Node:
        node = self._lattice.best(
            lambda tried: self._classes.too_small(tried, self._k, self._allowed), self._allowed, tell
        )
        if node is None:
            raise self._refusal()
        return node

    def released(self, rows: pd.DataFrame, node: Node) -> pd.DataFrame:
        """Give the rows as they leave: coarse, and without those that still stand out."""
        coarse = {form.attribute.code: form.at(step) for form, step in zip(self._forms, node, strict=True)}
        stays = ~self._classes.stand_out(node, self._k)
        return rows.reset_index(drop=True).assign(**coarse)[stays].reset_index(drop=True)

    def told(self, node: Node, released: pd.DataFrame, patient: str, sensitive: str) -> Hidden:
        """Measure how far the released rows hide their people.

        k, l and t are of rows. The risks are of people: who has two rows in a class is one of its people.
        """
        table = released.assign(**{_EVERYONE: GIVEN_UP})
        by = [*(form.attribute.code for form in self._forms), _EVERYONE]
        rows, people = anonymity(table, by, sensitive), anonymity(table.drop_duplicates([*by, patient]), by)
        several, alone = _several(table, by, patient)
        levels = tuple(form.level(step) for form, step in zip(self._forms, node, strict=True))
        return Hidden(
            levels=levels,
            asked_k=self._k,
            k=rows.k,
            patients=people.k,
            classes=rows.classes,
            distinct_l=rows.distinct_l or 0,
            t_closeness=rows.t_closeness or 0.0,
            highest_risk=people.highest_risk,
            mean_risk=people.mean_risk,
            suppressed=self._classes.too_small(node, self._k),
            suppressed_by=self._suppressed_by(node),
            patients_with_several=several,
            of_them_alone=alone,
            loss=sum(level.loss for level in levels) / max(len(levels), 1),
            combinations_tried=len(self._lattice.tried),
            combinations=len(self._lattice.nodes),
        )

    def _suppressed_by(self, node: Node) -> tuple[tuple[str, int], ...]:
        """Count for each attribute the rows that would have stayed if it alone had been given up."""
        dropped = self._classes.too_small(node, self._k)
        without = [self._given_up(node, (column,)) for column in range(len(node))]
        return tuple(
            (form.attribute.code, dropped - self._classes.too_small(other, self._k))
            for form, other in zip(self._forms, without, strict=True)
        )

    def _given_up(self, node: Node, columns: tuple[int, ...]) -> Node:
        return tuple(self._last[n] if n in columns else step for n, step in enumerate(node))

    def _refusal(self) -> CannotHideError:
        """Say that no combination of steps will do, and name the attributes in the way."""
        sets = self._would_do()
        in_the_way = [form.attribute for n, form in enumerate(self._forms) if any(n in one for one in sets)]
        how = "it" if len(in_the_way) == 1 else f"{len(sets[0])} of these"
        return CannotHideError(
            f"k is {self._k}, and in its way: {_named(in_the_way)}. With all attributes at their coarsest, "
            f"{self._classes.too_small(self._highest, self._k)} rows stand out, and {self._allowed} may be "
            f"dropped. Let {how} be given up, or widen the cohort.",
            tuple(one.code for one in in_the_way),
        )

    def _would_do(self) -> list[tuple[int, ...]]:
        """Find the smallest sets of needed attributes whose giving up would do, by their positions."""
        held = [n for n, step in enumerate(self._highest) if step < self._last[n]]
        for size in range(1, len(held) + 1):
            nodes = {one: self._given_up(self._highest, one) for one in combinations(held, size)}
            small = {one: self._classes.too_small(node, self._k) for one, node in nodes.items()}
            if sets := [one for one, rows in small.items() if rows <= self._allowed]:
                return sets
        raise AssertionError("with all given up, at least k patients are alike")


def _several(table: pd.DataFrame, by: list[str], patient: str) -> tuple[int, int]:
    """Count the patients of several rows, and those of them whose set of rows nobody shares."""
    member = table.groupby(by, sort=False, observed=True).ngroup()
    several = table.duplicated(patient, keep=False)
    rows = sorted(zip(table.loc[several, patient], member[several].tolist(), strict=True))
    sets = Counter(tuple(number for _, number in own) for _, own in groupby(rows, key=itemgetter(0)))
    return sets.total(), sum(times == 1 for times in sets.values())


def _named(attributes: Sequence[Attribute]) -> str:
    return ", ".join(f"{one.title} ({one.code})" for one in attributes) or "no attribute"


def _check_patients(there: int, k: int, attributes: Sequence[Attribute]) -> None:
    if there < k:
        raise CannotHideError(
            f"k is {k}, but the patients are only {there}: even with all given up they stand out. "
            f"In the way: {_named(attributes)}. Widen the cohort.",
            tuple(one.code for one in attributes),
        )


def _check(
    rows: pd.DataFrame,
    attributes: Sequence[Attribute],
    k: int,
    most_suppressed: float,
    others: tuple[str, ...],
    needed: Collection[str],
) -> None:
    codes = [one.code for one in attributes]
    if k < 1:
        raise ValueError(f"k is {k}: it counts the people who are alike; choose 1 or more")
    if not 0 <= most_suppressed < 1:
        raise ValueError(f"most_suppressed is {most_suppressed}: it is a share; choose 0 or more and under 1")
    if twice := [code for code, times in Counter([*codes, *others]).items() if times > 1]:
        raise ValueError(f"attributes name {twice[0]} twice, or as the patient or the outcome: name it once")
    if strangers := set(needed) - set(codes):
        raise ValueError(f"needed names {min(strangers)}: no such attribute is asked for; leave it out")
    if missing := [name for name in (*codes, *others) if name not in rows]:
        raise ValueError(f"rows have no column {missing[0]}: they have {', '.join(map(str, rows.columns))}")
    if rows[others[0]].isna().any():
        raise ValueError(f"column {others[0]} has a row without patient: give each row its patient")
    for one in attributes:
        _check_codes(one, rows[one.code])


def _check_codes(attribute: Attribute, column: "pd.Series[str]") -> None:
    """Refuse what no step maps: it would leave the search, or the package, as it stands."""
    for value in column.unique():
        if not isinstance(value, str) or (attribute.finest is not None and value not in attribute.finest):
            allowed = "text" if attribute.finest is None else f"one of {', '.join(attribute.finest)}"
            raise ValueError(f"column {attribute.code} has {value!r}: it must be {allowed}; mend the reading")
