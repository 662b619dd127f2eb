"""What a table of released repairs says of survival, and what hiding its people did to that."""

import numpy as np
import pandas as pd

from outcomes.estimators.survival import LANDMARK_DAYS, SurvivalCurve, kaplan_meier
from outcomes.release.frozen import Effect, Landmark

# Columns of the table of repairs: end of observation, whether that was a failure, and late entry.
COLUMNS = ("days", "failed", "at_risk_from")


def landmarks(repairs: pd.DataFrame, years: tuple[int, ...] = (1, 2, 5)) -> tuple[Landmark, ...]:
    """Kaplan-Meier of a table of repairs at whole years.

    Parameters
    ----------
    repairs : DataFrame
        One row a repair: `days` to the end of observation, `failed` 1 or 0, `at_risk_from` the day of a late
        entry, 0 without one; whole days from the operation. Rows whose end was known when they were entered
        late are left out: they were never at risk while known.
    years : tuple of int
        Of `survival.LANDMARK_DAYS`: 1, 2 or 5.

    Returns
    -------
    One landmark a year, all of them empty when no repair was at risk. Past the last day of observation the
    survival is None and nobody is at risk; the failures are all there were until then.

    Raises
    ------
    KeyError
        If a column is missing, or a year has no day in `survival.LANDMARK_DAYS`.
    ValueError
        If a column holds what `survival.kaplan_meier` refuses.

    Notes
    -----
    Kaplan EL, Meier P. J Am Stat Assoc 1958;53:457-81; late entries as in Tsai WY, Jewell NP, Wang MC.
    Biometrika 1987;74:883-6 (from memory). The estimator is `survival.kaplan_meier`.
    """
    at_risk = at_risk_while_known(repairs)
    if at_risk.empty:
        return tuple(Landmark(year, 0, 0, None) for year in years)
    entry = at_risk["at_risk_from"].to_numpy()
    curve = kaplan_meier(
        at_risk["days"].to_numpy(), at_risk["failed"].to_numpy(), entry=entry if entry.any() else None
    )
    return tuple(_landmark(curve, year) for year in years)


def at_risk_while_known(repairs: pd.DataFrame) -> pd.DataFrame:
    """The columns of survival, without the repairs whose end was known when they were entered late."""
    table = repairs[list(COLUMNS)].astype("int64")
    never = table["at_risk_from"].gt(0) & table["at_risk_from"].ge(table["days"])
    return table[~never]


def effect(permitted: pd.DataFrame, released: pd.DataFrame) -> tuple[Effect, ...]:
    """Survival at 1, 2 and 5 years among all permitted repairs beside that among the released ones.

    Both are tables as `landmarks` takes them, and it says what is raised.
    """
    beside = zip(landmarks(permitted), landmarks(released), strict=True)
    return tuple(Effect(of_all.year, of_all.survival, left.survival) for of_all, left in beside)


def _landmark(curve: SurvivalCurve, year: int) -> Landmark:
    day = LANDMARK_DAYS[year]
    read = curve.at(day)
    failures = int(np.sum(curve.events_at, where=np.asarray(curve.time) <= day))
    return Landmark(year, read.at_risk, failures, read.survival)
