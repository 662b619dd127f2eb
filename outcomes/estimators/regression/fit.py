"""By how much groups differ, other things equal: Cox regression, from a table to its result."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np

from outcomes.estimators.cautions import EVENTS_PER_COEFFICIENT_LEAST
from outcomes.estimators.observations import FloatArray
from outcomes.estimators.regression import efron
from outcomes.estimators.regression.design import Columns, Data, Table, read
from outcomes.estimators.regression.efron import Likelihood
from outcomes.estimators.regression.result import CoxFit, Estimate, result

NO_REFERENCES: Mapping[str, str] = MappingProxyType({})

# Where there is an estimate, the steps become smaller than this within so many: log hazard ratio a standard
# deviation of the covariate. Where a ratio runs off to infinity each is of about 1.
LAST_STEP = 1e-9
MOST_STEPS = 50
# Of a log likelihood, by which it may seem to fall at its top.
ROUNDING = 1e-12
# At an estimate an event has at least this share of the information it has at hazard ratio 1.
INFORMATION_LEFT = 1e-9


def cox(
    table: Table,
    *,
    duration: str,
    event: str,
    covariates: Sequence[str],
    cluster: str | None = None,
    strata: str | None = None,
    entry: str | None = None,
    weights: str | None = None,
    references: Mapping[str, str] = NO_REFERENCES,
    least_events: float = EVENTS_PER_COEFFICIENT_LEAST,
) -> CoxFit:
    """Estimate the hazard ratios of covariates.

    Parameters
    ----------
    table : DataFrame or mapping of columns, each of shape (rows,)
        One row a repair, or a kind of repairs when `weights` says how many.
    duration, event, weights : str
        Columns as in `observations`. Weights are written out before the fit: ties must see each repair.
    covariates : sequence of str
        Columns of numbers, or of text, which becomes indicators named COL[LEVEL]. A row that misses one is
        left out and counted.
    cluster : str, optional
        Column that tells which rows belong together (the patient); errors, limits, z and p are then robust.
    strata : str, optional
        Column each value of which has a baseline hazard of its own.
    entry : str, optional
        Column of delayed entries, as in `observations`.
    references : mapping, optional
        The level a text covariate is held against, where not the alphabetically first.
    least_events : float
        Fewer events than this for each coefficient are refused.

    Raises
    ------
    ValueError
        If a column breaks its rule; without an event; with too few events, or no more clusters than
        coefficients; if a covariate does not vary, is determined by others or has no finite hazard ratio.

    Notes
    -----
    Sources are in `REFERENCE`. The estimate is by Newton's method from hazard ratio 1. Robust errors, the
    test of proportional hazards and concordance follow R's survival 3.5 (coxph with cluster, cox.zph,
    concordance), from which lifelines' differ; see `efron`. The test of proportional hazards takes the
    model's own information, clustered or not. With delayed entry no result of R was at hand for it, nor for
    robust errors and concordance: there they rest on the formulas, which the tests work out another way.

    Examples
    --------
    >>> table = {
    ...     "days": [90, 120, 200, 365, 400, 420, 500, 610, 700, 800],
    ...     "failed": [1, 1, 1, 0, 1, 1, 0, 1, 0, 0],
    ...     "zone": ["red", "white", "white", "red", "white", "red", "red", "white", "red", "white"],
    ... }
    >>> fit = cox(table, duration="days", event="failed", covariates=["zone"])
    >>> [(ratio.name, round(ratio.hazard_ratio, 2)) for ratio in fit.coefficients]
    [('zone[white]', 1.87)]
    """
    columns = Columns(duration, event, tuple(covariates), cluster, strata, entry, weights)
    data = read(table, columns, references)
    _check_enough(data, least_events)
    start = efron.likelihood(data.rows, np.zeros(len(data.design.names)))
    return result(data, _estimate(data, start, _spread(data, start)))


def _check_enough(data: Data, least_events: float) -> None:
    names, events = data.design.names, data.events
    if not events:
        raise ValueError("no complete row ends in failure: there is nothing to explain; wait for events")
    if events < least_events * len(names):
        raise ValueError(
            f"{events} events for {', '.join(names)} are {events / len(names):.1f} a coefficient: it must be "
            f"{least_events:g} or more; leave covariates out, join levels, or wait for events"
        )
    if data.clusters is not None and data.clusters <= len(names):
        raise ValueError(
            f"cluster has too few distinct values, {data.clusters}: it must have more than coefficients, "
            f"{len(names)}; leave covariates or the cluster out"
        )


def _spread(data: Data, start: Likelihood) -> FloatArray:
    """Give each covariate's standard deviation among those at risk; refuse what the likelihood cannot see."""
    names, rows = data.design.names, data.rows
    matrix = start.information / data.events
    spread: FloatArray = np.sqrt(np.clip(np.diag(matrix), 0, None))
    for name, at_risk, overall in zip(names, spread, rows.covariates.std(axis=0), strict=True):
        if at_risk**2 <= efron.SINGULAR * overall**2:
            raise ValueError(
                f"{name} is the same for all at risk whenever one fails: it explains nothing; leave it out"
            )
    values, vectors = np.linalg.eigh(matrix / np.outer(spread, spread))
    if values[0] < efron.SINGULAR:
        raise ValueError(f"{_involved(names, vectors[:, 0])} determine each other: leave one of them out")
    return spread


def _involved(names: Sequence[str], direction: FloatArray) -> str:
    weight = np.abs(direction)
    return ", ".join(name for name, own in zip(names, weight, strict=True) if own > 0.1 * weight.max())


def _estimate(data: Data, start: Likelihood, spread: FloatArray) -> Estimate:
    """Climb from hazard ratio 1 by Newton's steps."""
    at, here = np.zeros(spread.size), start
    for _ in range(MOST_STEPS):
        step = _step(data, here, spread)
        if np.abs(step * spread).max() <= LAST_STEP:
            return Estimate(at + step, np.linalg.inv(here.information).astype(np.float64), here.log)
        at, here = _climbed(data, at, here, step)
    raise _endless(", ".join(data.design.names))


def _step(data: Data, here: Likelihood, spread: FloatArray) -> FloatArray:
    """Give Newton's step; refuse where the information runs down to 0, as it does on the way to infinity."""
    left = here.information / (np.outer(spread, spread) * data.events)
    values, vectors = np.linalg.eigh(np.nan_to_num(left))
    if values[0] < INFORMATION_LEFT:
        raise _endless(_involved(data.design.names, vectors[:, 0]))
    return np.linalg.solve(here.information, here.score).astype(np.float64)


def _climbed(data: Data, at: FloatArray, here: Likelihood, step: FloatArray) -> tuple[FloatArray, Likelihood]:
    """Take the step, halved for as long as it leads down."""
    while True:
        # Far out, risks run down to 0.
        with np.errstate(all="ignore"):
            there = efron.likelihood(data.rows, at + step)
        if np.isfinite(there.log) and there.log >= here.log - ROUNDING * abs(here.log):
            return at + step, there
        step = step / 2


def _endless(names: str) -> ValueError:
    return ValueError(
        f"no finite hazard ratio fits {names}: each level must have a failure, and nothing may set all who "
        "fail apart from the others; join levels or leave it out"
    )
