"""What a Cox regression says: hazard ratios and their errors, and the tests and cautions beside them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from outcomes.estimators.cautions import Caution, few_clusters, few_events, non_proportional
from outcomes.estimators.normal import Z_95
from outcomes.estimators.observations import FloatArray, IntArray
from outcomes.estimators.regression import efron
from outcomes.estimators.regression.design import Data
from outcomes.estimators.regression.efron import ChiSquare

FORMULA = (
    "h(t | x) = h_0(t) exp(b' x); b maximises the sum over failure times of (sum of b' x of the d failing "
    "- sum over l = 0 .. d - 1 of log(sum over those at risk of exp(b' x) - l / d sum over those failing "
    "of exp(b' x))); with the patient as cluster Var b = A^-1 (sum over patients of u u') A^-1, u their "
    "summed score residuals."
)
METHOD = "Cox proportional hazards regression with Efron's handling of ties, 95 % Wald intervals"
ROBUST = "errors summed by cluster (robust), since the members of one are not independent"
REFERENCE = (
    "Cox DR. J R Stat Soc B 1972;34:187-220. Efron B. J Am Stat Assoc 1977;72:557-65. "
    "Grambsch PM, Therneau TM. Biometrika 1994;81:515-26 (test of proportional hazards). "
    "Lin DY, Wei LJ. J Am Stat Assoc 1989;84:1074-8, and Therneau TM, Grambsch PM. Modeling Survival Data. "
    "Springer, 2000, ch. 7 and 8 (robust errors, clusters)."
)
GLOBAL = "GLOBAL"


@dataclass(frozen=True, slots=True)
class Coefficient:
    """A log hazard ratio, its errors, and the hazard ratio with 95 % limits, infinite past the largest float.

    `robust_std_error` is None without clusters; with them `lower`, `upper`, `z` and `p` rest on it.
    """

    name: str
    coef: float
    hazard_ratio: float
    std_error: float
    robust_std_error: float | None
    lower: float
    upper: float
    z: float
    p: float


@dataclass(frozen=True, slots=True)
class CoxFit:
    """A Cox regression.

    `n` rows were used, `left_out` had a covariate missing. `covariance` is that of the coefficients, robust
    when clustered. `proportional_hazards` tests each coefficient and, as GLOBAL, all at once. `robust_score`
    tests all coefficients against 0 by cluster, None without. `concordance` is None when no pair is
    comparable. `person_time` has the unit of the durations.
    """

    n: int
    left_out: int
    events: int
    person_time: float
    clusters: int | None
    coefficients: tuple[Coefficient, ...]
    covariance: tuple[tuple[float, ...], ...]
    concordance: float | None
    log_likelihood: float
    proportional_hazards: dict[str, ChiSquare]
    robust_score: ChiSquare | None
    reference_levels: dict[str, str]
    method: str
    reference: str
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class Estimate:
    """Log hazard ratios, their covariance under the model, and the partial log likelihood."""

    coefficients: FloatArray
    covariance: FloatArray
    log_likelihood: float


def robust_wald(fit: CoxFit, names: Sequence[str] | None = None) -> ChiSquare:
    """Test by cluster whether coefficients are all 0: the log-rank's part where repairs share a patient.

    Parameters
    ----------
    fit : CoxFit
        Of a regression with a cluster.
    names : sequence of str, optional
        Names of coefficients, or of text covariates for all their levels; every coefficient when not given.

    Raises
    ------
    ValueError
        If the fit has no cluster, or a name is none of its coefficients.

    Notes
    -----
    Lin DY, Wei LJ. J Am Stat Assoc 1989;84:1074-8: b' V^-1 b with the robust V; for all coefficients the
    robust Wald test of R's summary(coxph(..., cluster = id)).
    """
    if fit.clusters is None:
        raise ValueError("fit has no cluster: give cox() the column that tells which rows belong together")
    own = [coefficient.name for coefficient in fit.coefficients]
    chosen = list(dict.fromkeys(place for name in names or own for place in _places(own, name)))
    values = np.array([fit.coefficients[place].coef for place in chosen])
    return efron.chi_square(values, np.array(fit.covariance)[np.ix_(chosen, chosen)], len(chosen))


def _places(own: Sequence[str], name: str) -> list[int]:
    places = [place for place, full in enumerate(own) if full == name or full.startswith(f"{name}[")]
    if not places:
        raise ValueError(f"names has {name}: it must be one of {', '.join(own)}")
    return places


def result(data: Data, estimate: Estimate) -> CoxFit:
    """Put an estimate together with its errors and tests."""
    rows, cluster = data.rows, data.cluster
    tests = efron.proportionality(rows, estimate.coefficients)
    covariance = estimate.covariance if cluster is None else _robust(data, cluster, estimate)
    named_tests = dict(zip([*data.design.names, GLOBAL], tests, strict=True))
    return CoxFit(
        n=rows.time.size,
        left_out=data.left_out,
        events=data.events,
        person_time=float(np.sum(rows.time - np.maximum(rows.entry, 0))),
        clusters=data.clusters,
        coefficients=_coefficients(data, estimate, covariance),
        covariance=tuple(map(tuple, covariance.tolist())),
        # Summed row by row: equal covariates must give equal predictors, to the last bit.
        concordance=efron.concordance(rows, (rows.covariates * estimate.coefficients).sum(axis=1)),
        log_likelihood=estimate.log_likelihood,
        proportional_hazards=named_tests,
        robust_score=None if cluster is None else _robust_score(data, cluster),
        reference_levels=data.design.reference_levels,
        method=f"{METHOD}." if cluster is None else f"{METHOD}; {ROBUST}.",
        reference=REFERENCE,
        cautions=_cautions(data, named_tests),
    )


def _robust(data: Data, cluster: IntArray, estimate: Estimate) -> FloatArray:
    """Give the sandwich of the model's covariance and the score residuals summed by cluster."""
    scores = _summed(efron.score_residuals(data.rows, estimate.coefficients), cluster)
    sandwich: FloatArray = estimate.covariance @ (scores.T @ scores) @ estimate.covariance
    return sandwich


def _robust_score(data: Data, cluster: IntArray) -> ChiSquare:
    size = len(data.design.names)
    scores = _summed(efron.score_residuals(data.rows, np.zeros(size)), cluster)
    return efron.chi_square(scores.sum(axis=0), scores.T @ scores, size)


def _summed(residuals: FloatArray, cluster: IntArray) -> FloatArray:
    sums = np.zeros((cluster.max() + 1, residuals.shape[1]))
    np.add.at(sums, cluster, residuals)
    return sums


def _coefficients(data: Data, estimate: Estimate, covariance: FloatArray) -> tuple[Coefficient, ...]:
    values, error = estimate.coefficients, np.sqrt(np.diag(covariance))
    z = values / error
    with np.errstate(over="ignore"):
        ratio, lower, upper = np.exp([values, values - Z_95 * error, values + Z_95 * error]).tolist()
    columns = (
        data.design.names,
        values.tolist(),
        ratio,
        np.sqrt(np.diag(estimate.covariance)).tolist(),
        [None] * values.size if data.cluster is None else error.tolist(),
        lower,
        upper,
        z.tolist(),
        (2 * norm.sf(np.abs(z))).tolist(),
    )
    return tuple(Coefficient(*of_one) for of_one in zip(*columns, strict=True))


def _cautions(data: Data, tests: Mapping[str, ChiSquare]) -> tuple[Caution, ...]:
    said = [few_events(data.events, len(data.design.names)), few_clusters(data.clusters)]
    for name, test in tests.items():
        if test.p is not None:
            said.append(non_proportional("the covariates together" if name == GLOBAL else name, test.p))
    return tuple(caution for caution in said if caution)
