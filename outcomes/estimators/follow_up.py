"""How long and how completely repairs were followed: reverse Kaplan-Meier median, Clark's completeness."""

from __future__ import annotations

from math import isfinite

from numpy.typing import ArrayLike

from outcomes.estimators.survival import Interval, kaplan_meier, observations

METHOD = (
    "Median follow-up by the reverse Kaplan-Meier method (the end of follow-up is the event, a failure "
    "censors it), with a 95 % log-log interval."
)
REFERENCE = "Schemper M, Smith TL. Control Clin Trials 1996;17:343-6."

COMPLETENESS_METHOD = (
    "Completeness of follow-up C: person-time observed over the person-time possible had nobody been lost; "
    "a failure counts as fully observed."
)
COMPLETENESS_REFERENCE = "Clark TG, Altman DG, De Stavola BL. Lancet 2002;359:1309-10."


def reverse_kaplan_meier(time: ArrayLike, failed: ArrayLike, weights: ArrayLike | None = None) -> Interval:
    """Estimate the median follow-up, with its interval.

    Parameters
    ----------
    time, failed, weights : array_like, shape (rows,)
        As in `survival.observations`.

    Returns
    -------
    Interval
        In the unit of `time`; None where not reached, so always when nobody was censored.

    Raises
    ------
    ValueError
        If a column breaks its rule or no row is left.

    Notes
    -----
    As R's survfit(Surv(time, 1 - failed)): a repair that fails on the day another is censored is at risk that
    day. Programs that take the failures out first can give a median one step earlier.
    """
    rows = observations(time, failed, weights)
    return kaplan_meier(rows.time, ~rows.failed, rows.weights, at=()).median


def completeness(observed_days: float, potential_days: float) -> float | None:
    """Give Clark's completeness of follow-up, C = observed / potential.

    Parameters
    ----------
    observed_days : float
        Days from repair to failure or to last known well, summed over repairs.
    potential_days : float
        The same sum had every repair without failure been followed to the day of analysis.

    Returns
    -------
    float or None
        Between 0 and 1; None when no follow-up was possible yet.

    Raises
    ------
    ValueError
        If a sum is negative or not finite, or more was observed than was possible.
    """
    for name, days in (("observed_days", observed_days), ("potential_days", potential_days)):
        if not (isfinite(days) and days >= 0):
            raise ValueError(f"{name} is {days}: it must be finite and 0 or more; check the dates it sums")
    if observed_days > potential_days:
        raise ValueError(
            f"observed_days is {observed_days}: it must be no more than potential_days, {potential_days}; "
            "look for contacts dated after the day of analysis"
        )
    return observed_days / potential_days if potential_days else None
