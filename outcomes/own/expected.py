"""How many failures the other surgeons' results would have a surgeon expect, given the case mix."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.estimators import baseline
from outcomes.estimators.baseline import CumulativeHazard, breslow, linear_predictor
from outcomes.estimators.cautions import EVENTS_PER_COEFFICIENT_LEAST
from outcomes.estimators.observations import FloatArray
from outcomes.estimators.rates import ObservedExpected, observed_expected
from outcomes.estimators.regression import CoxFit, cox
from outcomes.own.rows import CASE_MIX, Rows
from outcomes.own.two_years import HORIZON_DAYS
from outcomes.strata import UNKNOWN, Stratum

NO_MODEL = (
    f"Too few failures among the other surgeons for a model of case mix (fewer than "
    f"{EVENTS_PER_COEFFICIENT_LEAST} a coefficient): expected by time since the operation alone."
)
NOTHING_EXPECTED = (
    f"The other surgeons here have fewer than {EVENTS_PER_COEFFICIENT_LEAST} failures: too few to expect "
    "anything by."
)


@dataclass(frozen=True, slots=True)
class Expectation:
    """A model of the other surgeons' failures, ready to be asked about a surgeon's repairs.

    `fit` is None where failures were too few for any covariate: then time alone counts. `joined` maps each
    covariate to the levels taken together with another, their labels as a sentence tells them.
    """

    hazard: CumulativeHazard
    fit: CoxFit | None
    used: tuple[Stratum, ...]
    joined: Mapping[str, Mapping[str, str]]

    @property
    def n(self) -> int:
        return self.hazard.n

    @property
    def events(self) -> int:
        return self.hazard.events

    @property
    def sentence(self) -> str:
        """What it was worked out from, in words."""
        others = f"the {self.n:,} repairs of the other surgeons here, of which {self.events:,} failed"
        if not self.fit:
            return f"Expected from {others}. {NO_MODEL}"
        names = ", ".join(stratum.title for stratum in self.used)
        left = [stratum.title for stratum in CASE_MIX if stratum not in self.used]
        without = f" Left out for want of failures: {', '.join(left)}." if left else ""
        return f"Expected from {others}, by a Cox model with {names}.{without}{self._joined_sentence}"

    @property
    def _joined_sentence(self) -> str:
        said = [
            f"{stratum.title}: {_labels(stratum, own)} with {stratum.levels.get(main, main).lower()}"
            for stratum in self.used
            for main in [next(iter(self.joined[stratum.code].values()), "")]
            if (own := list(self.joined[stratum.code]))
        ]
        return f" Levels with too few failures were taken together ({'; '.join(said)})." if said else ""

    @property
    def method(self) -> str:
        return f"{self.fit.method} {baseline.METHOD}" if self.fit else baseline.METHOD

    @property
    def reference(self) -> str:
        return f"{self.fit.reference} {baseline.REFERENCE}" if self.fit else baseline.REFERENCE

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to bear in mind of the model, its levels by the names they have on pages."""
        said = tuple(caution.sentence for caution in (self.fit.cautions if self.fit else ()))
        for stratum in self.used:
            for code, label in stratum.levels.items():
                named = f"{stratum.title}: {label.lower()}"
                said = tuple(words.replace(f"{stratum.code}[{code}]", named) for words in said)
        return said

    def predictor(self, table: pd.DataFrame) -> FloatArray:
        """The log hazard ratio of each repair."""
        if self.fit is None:
            return np.zeros(len(table))
        return linear_predictor(self.fit, joined_levels(table, self.joined))

    def risks(self, table: pd.DataFrame) -> FloatArray:
        """The risk of each repair to fail within two years."""
        return self.hazard.risk(HORIZON_DAYS, self.predictor(table))

    def observed(self, table: pd.DataFrame) -> ObservedExpected:
        """Failures observed and expected while repairs were followed.

        Follow-up past the last day of anyone among the others is not counted: nothing is known to expect.
        """
        reached = table[table["entry"] < self.hazard.last]
        days = reached["day"].clip(upper=self.hazard.last)
        failed = reached["failed"] & (reached["day"] <= self.hazard.last)
        awaited = self.hazard.expected(days, self.predictor(reached), reached["entry"])
        return observed_expected(int(failed.sum()), float(awaited.sum()))


def expectation(others: Rows, own: Rows) -> Expectation | None:
    """Fit what to expect from the other surgeons' repairs alone; None where they say too little.

    The covariates of CASE_MIX, fewer from the end on until EVENTS_PER_COEFFICIENT_LEAST failures stand behind
    each coefficient. A level with fewer failures than that among the others, or that they do not know, is
    taken together with the most frequent one.
    """
    if others.events < EVENTS_PER_COEFFICIENT_LEAST:
        return None
    joined = {stratum.code: _to_join(stratum, others.table, own.table) for stratum in CASE_MIX}
    table = joined_levels(others.table, joined)
    varying = [stratum for stratum in CASE_MIX if table[stratum.code].nunique() > 1]
    for size in range(len(varying), 0, -1):
        used = tuple(varying[:size])
        if fit := _fit(table, used):
            return _with_fit(table, fit, used, joined)
    return _with_fit(table, None, (), joined)


def joined_levels(table: pd.DataFrame, joined: Mapping[str, Mapping[str, str]]) -> pd.DataFrame:
    """The table with the levels that are taken together under one code."""
    return table.assign(**{code: table[code].replace(dict(levels)) for code, levels in joined.items()})


def _to_join(stratum: Stratum, others: pd.DataFrame, own: pd.DataFrame) -> dict[str, str]:
    failures = others.groupby(stratum.code)["failed"].agg(["size", "sum"])
    main = failures["size"].drop(UNKNOWN, errors="ignore").idxmax() if len(failures) > 1 else None
    enough = set(failures.index[failures["sum"] >= EVENTS_PER_COEFFICIENT_LEAST])
    levels = {*failures.index, *own[stratum.code].unique()}
    target = str(main if main is not None else failures.index[0])
    return {level: target for level in stratum.levels if level in levels - enough - {target}}


def _fit(table: pd.DataFrame, used: tuple[Stratum, ...]) -> CoxFit | None:
    references = {stratum.code: str(table[stratum.code].mode()[0]) for stratum in used}
    try:
        return cox(
            table,
            duration="day",
            event="failed",
            entry="entry",
            covariates=list(references),
            references=references,
        )
    except ValueError:
        # Too few failures a coefficient, or none apart from another covariate: one covariate less is tried.
        return None


def _with_fit(
    table: pd.DataFrame,
    fit: CoxFit | None,
    used: tuple[Stratum, ...],
    joined: Mapping[str, Mapping[str, str]],
) -> Expectation:
    predictor = linear_predictor(fit, table) if fit else None
    hazard = breslow(table["day"], table["failed"], predictor, entry=table["entry"])
    return Expectation(hazard, fit, used, joined)


def _labels(stratum: Stratum, codes: list[str]) -> str:
    return ", ".join(stratum.levels[code].lower() for code in codes)
