"""Are patients better: change from before to after, and the share that reached a threshold."""

from __future__ import annotations

import operator as operators
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from outcomes.estimators import checks
from outcomes.estimators.cautions import Caution, below_measurement_error, ceiling, out_of_reach
from outcomes.estimators.centre import MEAN_REFERENCE, FloatArray, mean_with_t, scores
from outcomes.estimators.rates import PROPORTION_REFERENCE, Proportion, proportion

Operator = Literal[">=", ">", "<=", "<"]

CHANGE_FORMULA = "Mean of after - before, signed so that better is above 0, +/- t(0.975; n - 1) s / sqrt(n)."
CHANGE_METHOD = "Mean change of a score within patients, after minus before, with a 95 % paired t interval."
SHARE_FORMULA = (
    "x / n with the interval of Wilson, x those whose score or change passes the threshold by its operator."
)
SHARE_METHOD = (
    "Share of patients whose unrounded score or change lies above a published threshold, or on it where the "
    "operator published with it says so, with the 95 % score interval of Wilson; those who began too near "
    "the best score to get there are counted apart."
)

_REACHES_UP: dict[str, Callable[[FloatArray, float], NDArray[np.bool_]]] = {
    ">=": operators.ge,
    ">": operators.gt,
}
_REACHES_DOWN: dict[str, Callable[[FloatArray, float], NDArray[np.bool_]]] = {
    "<=": operators.le,
    "<": operators.lt,
}


@dataclass(frozen=True, slots=True)
class PairedChange:
    """Mean change of `n` patients with both scores, positive for better; `left_out` had one score or none.

    `at_best` of the `n` began at the best score and could not improve. Limits are None for fewer than two.
    """

    n: int
    left_out: int
    at_best: int
    mean_before: float | None
    mean_after: float | None
    estimate: float | None
    std_error: float | None
    lower: float | None
    upper: float | None
    method: str
    reference: str
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class ShareReaching:
    """How many reached a threshold; `out_of_reach` and `left_out` (no score) aren't among them."""

    threshold: float
    operator: Operator
    reached: Proportion
    out_of_reach: int
    left_out: int
    method: str
    reference: str
    cautions: tuple[Caution, ...]


def paired_change(
    before: ArrayLike, after: ArrayLike, *, best: float | None = None, lower_is_better: bool = False
) -> PairedChange:
    """Estimate the mean change within patients.

    Parameters
    ----------
    before, after : array_like of float, shape (patients,)
        Scores of the same patients, missing where not answered.
    best : float, optional
        The best score of the instrument; without it nobody counts as having begun there.
    lower_is_better : bool
        True for scores such as pain, so that a positive change is an improvement in all.

    Raises
    ------
    ValueError
        If a column holds anything but numbers, or the columns differ in length.
    """
    first, second, left_out = _pairs(before, after)
    change, room = _towards_best(first, second, best, lower_is_better)
    at_best = int(np.count_nonzero(room <= 0))
    mean, std_error, half_width = mean_with_t(change)
    caution = ceiling(at_best, change.size)
    return PairedChange(
        n=change.size,
        left_out=left_out,
        at_best=at_best,
        mean_before=float(first.mean()) if first.size else None,
        mean_after=float(second.mean()) if second.size else None,
        estimate=mean,
        std_error=std_error,
        lower=None if mean is None or half_width is None else mean - half_width,
        upper=None if mean is None or half_width is None else mean + half_width,
        method=CHANGE_METHOD,
        reference=MEAN_REFERENCE,
        cautions=(caution,) if caution else (),
    )


def _pairs(before: ArrayLike, after: ArrayLike) -> tuple[FloatArray, FloatArray, int]:
    first, second = scores("before", before), scores("after", after)
    checks.same_length(before=first, after=second)
    both = ~(np.isnan(first) | np.isnan(second))
    return first[both], second[both], int(np.count_nonzero(~both))


def _towards_best(
    before: FloatArray, after: FloatArray, best: float | None, lower_is_better: bool
) -> tuple[FloatArray, FloatArray]:
    """Give each patient's change for the better, and the room there was for it."""
    sign = -1.0 if lower_is_better else 1.0
    end = sign * np.inf if best is None else checks.finite("best", best)
    return sign * (after - before), sign * (end - before)


def share_reaching(
    values: ArrayLike, threshold: float, operator: Operator, *, lower_is_better: bool = False
) -> ShareReaching:
    """Count who reached a threshold of the score itself, such as the acceptable state (PASS).

    Parameters
    ----------
    values : array_like of float, shape (patients,)
        Unrounded scores; missing where not answered.
    threshold : float
        As published.
    operator : {">=", ">", "<=", "<"}
        As published: whether the threshold itself counts. It points to the better scores.
    lower_is_better : bool
        True for scores such as pain: the operator is then "<=" or "<".

    Raises
    ------
    ValueError
        If an argument breaks its rule.
    """
    return _share(scores("values", values), threshold, operator, lower_is_better=lower_is_better)


def _share(
    values: FloatArray,
    threshold: float,
    operator: Operator,
    *,
    lower_is_better: bool = False,
    room: FloatArray | None = None,
    measurement_error: float | None = None,
) -> ShareReaching:
    """Count who reached a threshold; with the `room` that each had, who could not is counted apart."""
    limit, reaches = checks.finite("threshold", threshold), _reaching(operator, lower_is_better)
    answered = ~np.isnan(values)
    known = values[answered]
    reachable = np.full(known.shape, -np.inf if lower_is_better else np.inf)
    if room is not None:
        reachable = room[answered]
    in_reach = reaches(reachable, limit)
    at_best, too_near = (int(np.count_nonzero(apart)) for apart in (reachable <= 0, ~in_reach))
    reached = proportion(int(np.count_nonzero(reaches(known, limit) & in_reach)), known.size - too_near)
    said = (
        None if measurement_error is None else below_measurement_error(limit, measurement_error),
        None if room is None else ceiling(at_best, known.size),
        out_of_reach(too_near, known.size),
    )
    return ShareReaching(
        threshold=limit,
        operator=operator,
        reached=reached,
        out_of_reach=too_near,
        left_out=int(np.count_nonzero(~answered)),
        method=SHARE_METHOD,
        reference=PROPORTION_REFERENCE,
        cautions=tuple(caution for caution in (*said, *reached.cautions) if caution),
    )


def _reaching(operator: str, lower_is_better: bool) -> Callable[[FloatArray, float], NDArray[np.bool_]]:
    known = _REACHES_DOWN if lower_is_better else _REACHES_UP
    if operator not in known:
        direction = "lower" if lower_is_better else "higher"
        raise ValueError(
            f"operator is {operator}: it must be one of {', '.join(known)}, as published, "
            f"where {direction} is better"
        )
    return known[operator]


def share_improved(
    before: ArrayLike,
    after: ArrayLike,
    threshold: float,
    operator: Operator,
    *,
    best: float,
    lower_is_better: bool = False,
    measurement_error: float | None = None,
) -> ShareReaching:
    """Count who changed for the better by a threshold (MCID), among those who had room for it.

    Parameters
    ----------
    before, after, best, lower_is_better
        As in `paired_change`; pairs that aren't complete count as left out.
    threshold, operator
        As published, of the change for the better: the operator is ">=" or ">".
    measurement_error : float, optional
        The smallest change that can be told from error in one person.

    Raises
    ------
    ValueError
        If an argument breaks its rule.
    """
    first, second = scores("before", before), scores("after", after)
    checks.same_length(before=first, after=second)
    change, room = _towards_best(first, second, best, lower_is_better)
    return _share(change, threshold, operator, room=room, measurement_error=measurement_error)
