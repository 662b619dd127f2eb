"""Failure found at a look, its true time unknown: Turnbull's estimate for interval-censored times.

Own code: lifelines closes intervals at both ends, so that a look at which a repair was intact counts as a day
it may have failed.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import fsum, inf

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import nnls

from outcomes.estimators.cautions import Caution
from outcomes.estimators.observations import FloatArray, IntArray, check_length, observations

FORMULA = "The distribution F that makes sum over repairs of log(F(right) - F(left)) largest."
METHOD = (
    "Turnbull's non-parametric maximum likelihood estimate for failures known only to lie between two looks; "
    "inside each of its intervals the course is unknown, and no standard error is given."
)
REFERENCE = (
    "Turnbull BW. J R Stat Soc B 1976;38:290-5. "
    "Gentleman R, Geyer CJ. Biometrika 1994;81:618-23 (what tells the maximum). "
    "Wang Y. J R Stat Soc B 2007;69:185-98 (constrained Newton method)."
)

# At the maximum no interval would gain more log likelihood, from a little mass, than those that have mass
# (the condition of Karush, Kuhn and Tucker). Converged when none would by more than this part of n; the log
# likelihood is then within n times this of its maximum.
CONVERGED = 1e-10
MOST_ITERATIONS = 500
# A step must bring this part of the rise that the slope promises; any part below one half will do.
PROMISE_KEPT = 1 / 3


@dataclass(frozen=True, slots=True)
class SurvivalBounds:
    """The share standing at one day: between `lower` and `upper`, which differ inside an interval."""

    day: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class NonParametricMLE:
    """Where failures lie, in rising order: `mass` is the share that fails in each interval (left, right].

    An interval with both ends the same is that day; one with None on the right never ends. `events` counts
    the repairs seen to have failed. Times are in the unit given.
    """

    n: int
    events: int
    intervals: tuple[tuple[float, float | None], ...]
    mass: tuple[float, ...]
    log_likelihood: float
    iterations: int
    method: str
    reference: str
    cautions: tuple[Caution, ...]

    def at(self, day: float) -> SurvivalBounds:
        """Read the share standing at `day`: `lower` as if all of its interval had failed, `upper` as if none.

        Raises
        ------
        ValueError
            If `day` is negative or not a number.
        """
        if not day >= 0:
            raise ValueError(f"day is {day}: it must be 0 or more; count it from the repair")
        standing = [(left, mass) for left, right, mass in self._steps() if right > day]
        surely = fsum(mass for left, mass in standing if left >= day)
        return SurvivalBounds(float(day), min(surely, 1.0), min(fsum(mass for _, mass in standing), 1.0))

    def _steps(self) -> list[tuple[float, float, float]]:
        return [
            (left, inf if right is None else right, mass)
            for (left, right), mass in zip(self.intervals, self.mass, strict=True)
        ]


@dataclass(frozen=True, slots=True)
class _Likelihood:
    """The likelihood of masses on candidate intervals.

    `left` and `right` bound the candidates, shape (candidates,). Row i, `weights` of it, failed in one of the
    candidates from `first` up to but not including `past`, shape (rows,).
    """

    left: FloatArray
    right: FloatArray
    first: IntArray
    past: IntArray
    weights: FloatArray

    @property
    def n(self) -> float:
        return float(self.weights.sum())

    def holds(self, candidates: IntArray) -> FloatArray:
        """Say (1 or 0) which rows may have failed in which of `candidates`, shape (rows, candidates)."""
        after, before = candidates >= self.first[:, None], candidates < self.past[:, None]
        return (after & before).astype(np.float64)

    def gain(self, probability: FloatArray) -> FloatArray:
        """Give each candidate's slope of the log likelihood, as a part of n; 1 at most at the maximum."""
        share = self.weights / (self.n * probability)
        change = np.zeros(self.left.size + 1)
        np.add.at(change, self.first, share)
        np.subtract.at(change, self.past, share)
        gain: FloatArray = change.cumsum()[:-1]
        return gain


def turnbull(
    lower: ArrayLike,
    upper: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    most_iterations: int = MOST_ITERATIONS,
) -> NonParametricMLE:
    """Estimate when repairs fail whose failures are only seen at looks.

    Parameters
    ----------
    lower : array_like, shape (rows,)
        The last time known intact, in any one unit, 0 or more; 0 when never looked at before.
    upper : array_like, shape (rows,)
        The first time known failed; None, NaN or infinity when not seen to fail. Failure lies after `lower`
        and not after `upper`; where both are the same it was at that time.
    weights : array_like, shape (rows,), optional
        How many repairs each row stands for, a whole number, 0 or more; 1 each when not given.
    most_iterations : int
        Where to give up.

    Raises
    ------
    ValueError
        If a column breaks its rule or no row counts.
    ArithmeticError
        If the maximum is not reached in `most_iterations`.

    Notes
    -----
    Sources are in `REFERENCE`. Mass can lie only where a left end is followed at once by a right end
    [Turnbull 1976]. In each of those intervals some row begins, so the masses are the only ones that reach
    the maximum: taken from the last interval backwards, each follows from the probabilities of the rows. They
    are found by the constrained Newton method: each iteration takes the intervals that have mass and the best
    between them, solves the quadratic approximation of the log likelihood by non-negative least squares, and
    halves the step until the log likelihood rises. It ends by the conditions of the maximum, to `CONVERGED`,
    with masses of exactly 0 where none belongs, which the EM algorithm only comes near to. It agrees with EM
    carried on and pruned until the same conditions hold; R's survfit stops EM before that.

    Examples
    --------
    >>> seen = turnbull([0, 180, 400, 200], [180, 365, None, 390])
    >>> seen.intervals, [round(mass, 3) for mass in seen.mass]
    (((0.0, 180.0), (200.0, 365.0), (400.0, None)), [0.25, 0.5, 0.25])
    >>> bounds = seen.at(300)
    >>> round(bounds.lower, 3), round(bounds.upper, 3)
    (0.25, 0.75)
    """
    left, right, counts = _rows(lower, upper, weights)
    likelihood = _likelihood(left, right, counts)
    support, mass, iterations = _maximum(likelihood, most_iterations)
    probability = likelihood.holds(support) @ mass
    ends = zip(likelihood.left[support].tolist(), likelihood.right[support].tolist(), strict=True)
    return NonParametricMLE(
        n=int(counts.sum()),
        events=int(counts[np.isfinite(right)].sum()),
        intervals=tuple((start, None if end == inf else end) for start, end in ends),
        mass=tuple(mass.tolist()),
        log_likelihood=float(likelihood.weights @ np.log(probability)),
        iterations=iterations,
        method=METHOD,
        reference=REFERENCE,
        cautions=(),
    )


def _rows(
    lower: ArrayLike, upper: ArrayLike, weights: ArrayLike | None
) -> tuple[FloatArray, FloatArray, IntArray]:
    left, right = _numbers("lower", lower), _numbers("upper", upper)
    check_length("upper", right.size, left.size)
    right = np.where(np.isnan(right), inf, right)
    for row in np.flatnonzero(~(np.isfinite(left) & (left >= 0))):
        raise ValueError(
            f"lower[{row}] is {left[row]}: it must be a finite number, 0 or more; write 0 where the repair "
            "was not looked at before"
        )
    for row in np.flatnonzero(right < left):
        raise ValueError(
            f"upper[{row}] is {right[row]}: it must not be before lower[{row}], {left[row]}; correct it or "
            "leave its row out"
        )
    counts = observations(left, np.zeros(left.size), weights).weights
    if not counts.any():
        raise ValueError("lower has no row that counts: give at least one row with a weight of 1 or more")
    return left[counts > 0], right[counts > 0], counts[counts > 0]


def _numbers(name: str, values: ArrayLike) -> FloatArray:
    try:
        return np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ValueError(
            f"{name} must hold numbers only: {error}; correct it or leave its row out"
        ) from error


def _likelihood(left: FloatArray, right: FloatArray, counts: IntArray) -> _Likelihood:
    """Find the candidate intervals [Turnbull 1976], from the order of all ends.

    At one time the start of an exact failure comes first, then right ends, then left ends, which are open.
    """
    times, place = np.unique(np.concatenate([left, right]), return_inverse=True)
    starts = 3 * place[: left.size] + np.where(left == right, 0, 2)
    ends = 3 * place[left.size :] + 1
    rows, of_row = np.unique(np.stack([starts, ends]), axis=1, return_inverse=True)
    marks = np.unique(rows)
    is_end = marks % 3 == 1
    inner = np.flatnonzero(~is_end[:-1] & is_end[1:])
    return _Likelihood(
        left=times[marks[inner] // 3],
        right=times[marks[inner + 1] // 3],
        first=np.searchsorted(marks[inner], rows[0]),
        past=np.searchsorted(marks[inner + 1], rows[1], side="right"),
        weights=np.bincount(of_row.ravel(), counts).astype(np.float64),
    )


def _maximum(likelihood: _Likelihood, most_iterations: int) -> tuple[IntArray, FloatArray, int]:
    """Give the candidates with mass, their masses, and the iterations it took [Wang 2007]."""
    support = _cover(likelihood)
    mass = np.full(support.size, 1 / support.size)
    for iteration in range(most_iterations + 1):
        gain = likelihood.gain(likelihood.holds(support) @ mass)
        if gain.max() <= 1 + CONVERGED:
            return support, mass, iteration
        chosen = _promising(support, gain)
        start = np.zeros(likelihood.left.size)
        start[support] = mass
        mass = _step(likelihood, chosen, start[chosen])
        support, mass = chosen[mass > 0], mass[mass > 0]
    raise ArithmeticError(
        f"no maximum in {most_iterations} iterations: an interval would still gain {gain.max() - 1:.2g} of n "
        f"where {CONVERGED:g} is allowed; allow more iterations"
    )


def _cover(likelihood: _Likelihood) -> IntArray:
    """Choose candidates to start from, a few but one in every row, so that no probability is 0."""
    chosen = [-1]
    for last in np.argsort(likelihood.past, kind="stable"):
        if likelihood.first[last] > chosen[-1]:
            chosen.append(int(likelihood.past[last]) - 1)
    return np.array(chosen[1:], dtype=np.int64)


def _promising(support: IntArray, gain: FloatArray) -> IntArray:
    """Add to the support the candidate that would gain most in each gap of it."""
    gaps = np.split(np.arange(gain.size), np.union1d(support, support + 1))
    best = [gap[np.argmax(gain[gap])] for gap in gaps if gap.size and gain[gap].max() > 1]
    return np.union1d(support, np.array(best, dtype=np.int64))


def _step(likelihood: _Likelihood, candidates: IntArray, mass: FloatArray) -> FloatArray:
    """Go to the maximum of the quadratic approximation, or as far towards it as the log likelihood rises."""
    holds, weights = likelihood.holds(candidates), likelihood.weights
    probability = holds @ mass
    root = np.sqrt(weights / likelihood.n)
    # Least squares of root (holds / probability mass - 2), masses summing to 1 [Wang 2007, section 3]: the
    # row of ones fixes the sum up to a factor (Dax 1990, there). Its triangle (QR) has the same solution in
    # fewer rows.
    system = np.vstack([root[:, None] * (holds / probability[:, None] - 2), np.ones(candidates.size)])
    wanted = np.append(np.zeros(weights.size), 1.0)
    triangle = np.asarray(np.linalg.qr(np.column_stack([system, wanted]), mode="r"))
    target, _ = nnls(triangle[:, :-1], triangle[:, -1])
    move = target / target.sum() - mass
    promised = float((weights / probability) @ (holds @ move))
    share = 1.0
    while not _rise(weights, probability, holds @ (mass + share * move)) >= PROMISE_KEPT * share * promised:
        share /= 2
    moved = np.maximum(mass + share * move, 0)
    settled: FloatArray = moved / moved.sum()
    return settled


def _rise(weights: FloatArray, before: FloatArray, after: FloatArray) -> float:
    if after.min() <= 0:
        return -inf
    return float(weights @ np.log(after / before))
