"""Is a run drifting: the risk-adjusted CUSUM and its run lengths.

Own code: no kept library has the risk-adjusted chart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import inf

import numpy as np
from numpy.typing import ArrayLike, NDArray

from outcomes.estimators import checks
from outcomes.estimators.cautions import Caution

FloatArray = NDArray[np.float64]

CUSUM_FORMULA = (
    "X_i = max(0, X_(i-1) + W_i), W_i = log(R) [failed] - log(1 - p_i + R p_i), p_i expected, R the odds "
    "ratio watched for."
)
CUSUM_METHOD = (
    "Risk-adjusted log-likelihood CUSUM, in the order in which results became known: each result adds the "
    "log of how much likelier it is at the odds ratio watched for; the sum never falls below 0 and starts "
    "again after a signal."
)
CUSUM_REFERENCE = "Steiner SH, Cook RJ, Farewell VT, Treasure T. Biostatistics 2000;1:441-52."
RUN_LENGTH_FORMULA = (
    "Average = first entry of (I - Q) ^ -1 1, Q the chances of moving between heights below the limit."
)
RUN_LENGTH_METHOD = (
    "Results until the chart first signals, by a Markov chain over the chart's height, when the risks of "
    "patients come at random from those given."
)
RUN_LENGTH_REFERENCE = f"Brook D, Evans DA. Biometrika 1972;59:539-49. {CUSUM_REFERENCE}"

# Heights of the chart told apart by the Markov chain: enough for an error of about 1 % (tests, against
# simulation), and with many divisors, so that a chart that moves on a lattice often falls exactly onto them.
STATES = 420
# Risks told apart by the Markov chain; more are taken together by neighbours.
RISKS = 200
# A chart that signals less often than once in so many results is no chart, and its chain no longer solvable.
LONGEST_RUN = 1e9
LIMIT_STEP = 1e-3


@dataclass(frozen=True, slots=True)
class Cusum:
    """A risk-adjusted CUSUM, one entry a result, in order.

    `path` at a signal is the height before the fresh start; `signals` are positions counted from 0; `excess`
    is the running sum of observed minus expected. `ratio` is None when nothing is expected.
    """

    weights: tuple[float, ...]
    path: tuple[float, ...]
    signals: tuple[int, ...]
    excess: tuple[float, ...]
    n: int
    observed: int
    expected: float
    ratio: float | None
    odds_ratio: float
    limit: float | None
    method: str
    reference: str
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class RunLength:
    """How many results a chart takes to signal, the signalling one included.

    `actual_odds_ratio` is what truly happens: 1 when nothing is wrong, so that a signal is a false alarm.
    """

    average: float
    median: int
    odds_ratio: float
    limit: float
    actual_odds_ratio: float
    method: str
    reference: str
    cautions: tuple[Caution, ...]


def cusum(
    failed: Sequence[int], expected: Sequence[float], odds_ratio: float = 2.0, limit: float | None = None
) -> Cusum:
    """Follow a run of results, each against its own expected risk.

    Parameters
    ----------
    failed : sequence of int, shape (results,)
        1 for a failure, 0 for none, in the order in which results became known.
    expected : sequence of float, shape (results,)
        Risk of failure of each repair, 0 to 1.
    odds_ratio : float
        The change watched for: above 1 for worse, below 1 for better; each has its own chart.
    limit : float, optional
        Height at which the chart signals and starts again; never when not given.

    Raises
    ------
    ValueError
        If a column or number breaks its rule.

    Notes
    -----
    A failure weighs log(R / (1 - p + R p)), a success log(1 / (1 - p + R p)), for odds ratio R and risk p.
    The path is max(0, C + W), for odds ratios below 1 too.
    """
    ratio = _watched(odds_ratio)
    height = inf if limit is None else checks.above_zero("limit", limit)
    outcomes, risks = _results(failed, expected)
    weights = _weights(outcomes, risks, ratio)
    path = tuple(_climb(weights.tolist(), height))
    observed, awaited = int(outcomes.sum()), float(risks.sum())
    return Cusum(
        weights=tuple(weights.tolist()),
        path=path,
        signals=tuple(row for row, level in enumerate(path) if level >= height),
        excess=tuple(np.cumsum(outcomes - risks).tolist()),
        n=len(path),
        observed=observed,
        expected=awaited,
        ratio=observed / awaited if awaited else None,
        odds_ratio=ratio,
        limit=None if limit is None else height,
        method=CUSUM_METHOD,
        reference=CUSUM_REFERENCE,
        cautions=(),
    )


def _watched(odds_ratio: float) -> float:
    ratio = checks.above_zero("odds_ratio", odds_ratio)
    if ratio == 1:
        raise ValueError("odds_ratio is 1: it must differ from 1, for that is no change; give 2 or 0.5")
    return ratio


def _results(failed: Sequence[int], expected: Sequence[float]) -> tuple[FloatArray, FloatArray]:
    outcomes = checks.counts("failed", failed)
    risks = [checks.share(f"expected[{row}]", risk) for row, risk in enumerate(expected)]
    checks.same_length(failed=outcomes, expected=risks)
    for row, outcome in enumerate(outcomes):
        if outcome > 1:
            raise ValueError(f"failed[{row}] is {outcome}: it must be 1 (failed) or 0 (not); correct it")
    return np.asarray(outcomes, dtype=np.float64), np.asarray(risks, dtype=np.float64)


def _weights(outcomes: ArrayLike, risks: FloatArray, odds_ratio: float) -> FloatArray:
    """Give the log-likelihood ratio of each result [Steiner et al. 2000, equation 2.1]."""
    weights: FloatArray = np.multiply(outcomes, np.log(odds_ratio)) - np.log1p((odds_ratio - 1) * risks)
    return weights


def _climb(weights: Sequence[float], limit: float) -> accumulate[float]:
    path = accumulate(
        weights, lambda level, weight: max(0.0, (0.0 if level >= limit else level) + weight), initial=0.0
    )
    next(path)  # the height before the first result
    return path


def run_length(
    expected_risks: Sequence[float],
    odds_ratio: float,
    limit: float,
    actual_odds_ratio: float = 1.0,
    *,
    states: int = STATES,
) -> RunLength:
    """Work out how many results the chart takes to signal.

    Parameters
    ----------
    expected_risks : sequence of float, shape (patients,)
        Risks above 0 and below 1, such as those of a unit's past patients; the next come from the same mix.
    odds_ratio, limit : float
        As of the chart.
    actual_odds_ratio : float
        Odds of failure as they truly are, relative to those expected.
    states : int
        Heights told apart.

    Raises
    ------
    ValueError
        If a number breaks its rule, or the limit is so high that the chart hardly ever signals.

    Notes
    -----
    The chain of Brook and Evans, with one refinement: a height between two states is shared between them so
    that its mean stays, which converges faster than rounding. On a lattice that the states hold it's exact.
    """
    ratio, height = _watched(odds_ratio), checks.above_zero("limit", limit)
    actual = checks.above_zero("actual_odds_ratio", actual_odds_ratio)
    chain = _chain(_risk_mix(expected_risks), ratio, height, actual, states)
    average = _average(chain)
    if average == inf:
        raise ValueError(f"limit is {height}: so high that the chart hardly ever signals; choose a lower one")
    return RunLength(
        average=average,
        median=_median(chain),
        odds_ratio=ratio,
        limit=height,
        actual_odds_ratio=actual,
        method=RUN_LENGTH_METHOD,
        reference=RUN_LENGTH_REFERENCE,
        cautions=(),
    )


def limit_for_run_length(expected_risks: Sequence[float], odds_ratio: float, run_length: float) -> float:
    """Find the limit at which a chart with nothing wrong signals once in `run_length` results on average.

    Parameters
    ----------
    expected_risks, odds_ratio
        As in `run_length`.
    run_length : float
        Average number of results between false alarms, above 1, at most a million.

    Returns
    -------
    float
        The lowest such limit, to one thousandth from above.

    Raises
    ------
    ValueError
        If a number breaks its rule.
    """
    if not 1 < run_length <= 1e6:
        raise ValueError(
            f"run_length is {run_length}: it must be above 1 and at most a million; choose another"
        )
    mix, ratio = _risk_mix(expected_risks), _watched(odds_ratio)

    def long_enough(limit: float) -> bool:
        return _average(_chain(mix, ratio, limit, 1.0, STATES)) >= run_length

    low, high = 0.0, 1.0
    while not long_enough(high):
        low, high = high, 2 * high
    while high - low > LIMIT_STEP:
        middle = (low + high) / 2
        low, high = (low, middle) if long_enough(middle) else (middle, high)
    return high


@dataclass(frozen=True, slots=True)
class _RiskMix:
    """Distinct risks and the share of patients with each."""

    risk: FloatArray
    share: FloatArray


def _risk_mix(expected_risks: Sequence[float]) -> _RiskMix:
    risks = [checks.inner_share(f"expected_risks[{row}]", risk) for row, risk in enumerate(expected_risks)]
    if not risks:
        raise ValueError("expected_risks is empty: give the risk of at least one patient")
    distinct, patients = np.unique(risks, return_counts=True)
    if distinct.size <= RISKS:
        return _RiskMix(distinct, patients / patients.sum())
    groups = np.array_split(np.sort(risks), RISKS)
    return _RiskMix(np.array([g.mean() for g in groups]), np.array([g.size for g in groups]) / len(risks))


def _chain(mix: _RiskMix, odds_ratio: float, limit: float, actual: float, states: int) -> FloatArray:
    """Give the probabilities of moving from one height below the limit to another, shape (states, states)."""
    failing = actual * mix.risk / (1 - mix.risk + actual * mix.risk)
    weights = np.concatenate([_weights(outcome, mix.risk, odds_ratio) for outcome in (1, 0)])
    chances = np.concatenate([mix.share * failing, mix.share * (1 - failing)])
    heights = np.arange(states)
    chain = np.zeros((states, states))
    for step, chance in zip(weights * states / limit, chances, strict=True):
        landing = _on_lattice(np.maximum(0.0, heights + step))
        stays = landing < states
        start, below = heights[stays], landing[stays].astype(np.int64)
        above_share = landing[stays] - below
        chain[start, below] += chance * (1 - above_share)
        chain[start, np.minimum(below + 1, states - 1)] += chance * above_share
    return chain


def _on_lattice(landing: FloatArray) -> FloatArray:
    """Take out the rounding error of heights that ought to be whole numbers of steps."""
    nearest = np.round(landing)
    return np.where(np.abs(landing - nearest) < 1e-9, nearest, landing)


def _average(chain: FloatArray) -> float:
    """Give the mean number of results to a signal, infinite when too long to be worked out."""
    # The mean number of moves from each height solves L = 1 + chain L [Brook & Evans 1972].
    length = np.linalg.solve(np.eye(len(chain)) - chain, np.ones(len(chain)))[0]
    return float(length) if 1 <= length <= LONGEST_RUN else inf


def _median(chain: FloatArray) -> int:
    """Find the first result by which at least half of all charts have signalled."""
    powers = [chain]
    while powers[-1][0].sum() > 0.5:
        powers.append(powers[-1] @ powers[-1])
    running, results = np.eye(1, len(chain)), 0
    for doubling, power in reversed(list(enumerate(powers))):
        later = running @ power
        if later.sum() > 0.5:
            running, results = later, results + 2**doubling
    return results + 1
