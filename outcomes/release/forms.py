"""One attribute's column in each of its forms, with what each form loses."""

import numpy as np
import pandas as pd

from outcomes.release.frozen import Level
from outcomes.release.hierarchies import Attribute
from outcomes.release.lattice import Integers

# An attribute has few codes, a table many rows.
_SMALL = np.int16


class Forms:
    """The column of an attribute at every step, as integer codes, and the loss of each step.

    The loss is the general loss of Iyengar (KDD 2002:279-88): of each row, (codes merged - 1) / (codes - 1),
    and the mean of the rows; from 0, all told, to 1, nothing told. Codes are all that the attribute has, "not
    recorded" being one, and of an open list those that there are.
    """

    def __init__(self, attribute: Attribute, column: "pd.Series[str]") -> None:
        self.attribute = attribute
        self._codes = attribute.finest or tuple(sorted(set(column)))
        self._row = pd.Categorical(column, categories=list(self._codes)).codes.astype(_SMALL)
        every = range(len(attribute.steps) + 1)
        self._told = [np.array([attribute.coarsened(code, step) for code in self._codes]) for step in every]
        self.steps: list[Integers] = [pd.factorize(told)[0].astype(_SMALL)[self._row] for told in self._told]
        self.losses = [self._loss(step) for step in every]

    def at(self, step: int) -> "pd.Series[str]":
        """Give the column at a step."""
        return pd.Series(self._told[step].astype(object)[self._row])

    def level(self, step: int) -> Level:
        """Tell in words how far a step goes."""
        of = self.attribute
        return Level(of.code, of.title, step, len(of.steps), of.label(step), self.losses[step])

    def _loss(self, step: int) -> float:
        if len(self._codes) < 2:
            return 0.0
        rows = np.bincount(self._row, minlength=len(self._codes))
        merged = self.attribute.merged(self._codes, step)
        lost = sum(int(n) * (merged[code] - 1) for code, n in zip(self._codes, rows, strict=True))
        return lost / (len(self._row) * (len(self._codes) - 1))
