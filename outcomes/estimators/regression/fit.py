"""By how much groups differ, other things equal: Cox regression, from a table to its result."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np
import pandas as pd
from lifelines import CoxPHFitter
from lifelines.exceptions import ConvergenceError

from outcomes.estimators.cautions import EVENTS_PER_COEFFICIENT_LEAST
from outcomes.estimators.observations import FloatArray
from outcomes.estimators.regression import efron
from outcomes.estimators.regression.design import Columns, Data, Table, read
from outcomes.estimators.regression.efron import RiskRows
from outcomes.estimators.regression.result import CoxFit, Estimate, result

NO_REFERENCES: Mapping[str, str] = MappingProxyType({})

# As it comes lifelines stops 2e-5 off R; so it stops within 2e-7, and one Newton step more does the rest.
PRECISE = {"precision": 1e-12, "r_precision": 1e-14}
# Where there is an estimate, that step moves no log hazard ratio, per standard deviation of its covariate, by
# more than this. One that runs off to infinity moves by about 1.
LAST_STEP = 1e-4
# ... and it leaves an event at least this share of the information it has at hazard ratio 1.
INFORMATION_LEFT = 1e-9

BEFORE_DAY_0 = -1.0


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
    Sources are in `REFERENCE`. The estimate is lifelines', taken one Newton step further. Robust errors, the
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
    spread = _spread(data)
    return result(data, _estimate(data, spread))


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


def _spread(data: Data) -> FloatArray:
    """Give each covariate's standard deviation among those at risk; refuse what the likelihood cannot see."""
    names, rows = data.design.names, data.rows
    matrix = efron.information(rows, np.zeros(len(names))) / data.events
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


def _estimate(data: Data, spread: FloatArray) -> Estimate:
    fitter = _fit(data.rows)
    if fitter is None:
        raise _endless(", ".join(data.design.names))
    near = fitter.params_.to_numpy()
    # Where the estimate runs off to infinity, risks and information run down to 0.
    with np.errstate(all="ignore"):
        matrix = efron.information(data.rows, near)
        score = efron.score_residuals(data.rows, near).sum(axis=0)
    scale = np.outer(spread, spread) * data.events
    values, vectors = np.linalg.eigh(np.nan_to_num(matrix / scale))
    step = np.linalg.solve(matrix, score) if values[0] >= INFORMATION_LEFT else np.full_like(near, np.inf)
    if np.any(np.abs(step) * spread > LAST_STEP):
        raise _endless(_involved(data.design.names, vectors[:, 0]))
    coefficients = near + step
    covariance = np.linalg.inv(efron.information(data.rows, coefficients)).astype(np.float64)
    return Estimate(coefficients, covariance, float(fitter.log_likelihood_))


def _endless(names: str) -> ValueError:
    return ValueError(
        f"no finite hazard ratio fits {names}: each level must have a failure, and nothing may set all who "
        "fail apart from the others; join levels or leave it out"
    )


def _fit(rows: RiskRows) -> CoxPHFitter | None:
    frame = pd.DataFrame(rows.covariates).add_prefix("covariate ")
    frame = frame.assign(time=rows.time, failed=rows.failed, stratum=rows.stratum)
    entry = None
    if np.isfinite(rows.entry).any():
        frame, entry = frame.assign(entry=np.maximum(rows.entry, BEFORE_DAY_0)), "entry"
    # lifelines warns of what is checked here before and after, and silences numpy's warnings for the whole
    # process; the contexts give both back.
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return CoxPHFitter().fit(
                frame, "time", "failed", strata=["stratum"], entry_col=entry, fit_options=PRECISE
            )
        except ConvergenceError:
            return None
