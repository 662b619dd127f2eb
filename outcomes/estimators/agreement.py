"""Does one finding agree with another: clinic against look, and one rater against a second (kappa)."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from statsmodels.stats.inter_rater import cohens_kappa

from outcomes.estimators import checks
from outcomes.estimators.cautions import Caution
from outcomes.estimators.normal import Z_95
from outcomes.estimators.rates import PROPORTION_REFERENCE, Proportion, proportion

DIAGNOSTIC_FORMULA = (
    "Sensitivity TP / (TP + FN), specificity TN / (TN + FP), predictive values TP / (TP + FP) and TN / "
    "(TN + FN)."
)
DIAGNOSTIC_METHOD = (
    "A finding against a reference finding in the same knees: sensitivity, specificity, predictive values, "
    "each with the 95 % score interval of Wilson."
)
KAPPA_FORMULA = (
    "kappa = (p_o - p_e) / (1 - p_e), p_o the share put alike, p_e the share alike by chance from the "
    "margins."
)
KAPPA_METHOD = (
    "Cohen's kappa, unweighted: agreement of two raters beyond chance, with its large-sample standard error "
    "and 95 % interval, kept within -1 and 1; agreement itself with the 95 % score interval of Wilson."
)
KAPPA_REFERENCE = (
    "Cohen J. Educ Psychol Meas 1960;20:37-46. Fleiss JL, Cohen J, Everitt BS. Psychol Bull 1969;72:323-7."
)


@dataclass(frozen=True, slots=True)
class Diagnostic:
    """How a finding stands up to a reference finding; predictive values hold for the share ill seen here."""

    n: int
    sensitivity: Proportion
    specificity: Proportion
    positive_predictive_value: Proportion
    negative_predictive_value: Proportion
    method: str
    reference: str
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class Kappa:
    """Agreement of two raters; kappa is None when both put everything into one class: chance explains all.

    `table` counts how often the first rater (rows) and the second (columns) chose each of `labels`.
    """

    n: int
    labels: tuple[str, ...]
    table: tuple[tuple[int, ...], ...]
    agreement: Proportion
    estimate: float | None
    std_error: float | None
    lower: float | None
    upper: float | None
    method: str
    reference: str
    cautions: tuple[Caution, ...]


def diagnostic(
    true_positive: int, false_positive: int, false_negative: int, true_negative: int
) -> Diagnostic:
    """Judge a finding by a reference finding.

    Parameters
    ----------
    true_positive, false_positive, false_negative, true_negative : int
        Knees, 0 or more: positive or negative by the finding, truly or falsely so by the reference.

    Raises
    ------
    ValueError
        If a count is negative or not whole.

    Notes
    -----
    Only knees with both findings can be counted; where the reference is a second look they aren't chosen by
    chance, which `cautions.informative_looks` says.
    """
    hit, alarm, miss, clear = (
        checks.count("true_positive", true_positive),
        checks.count("false_positive", false_positive),
        checks.count("false_negative", false_negative),
        checks.count("true_negative", true_negative),
    )
    shares = (
        proportion(hit, hit + miss),
        proportion(clear, clear + alarm),
        proportion(hit, hit + alarm),
        proportion(clear, clear + miss),
    )
    return Diagnostic(
        hit + alarm + miss + clear,
        *shares,
        method=DIAGNOSTIC_METHOD,
        reference=PROPORTION_REFERENCE,
        cautions=(),
    )


def kappa(table: ArrayLike, labels: Sequence[str] | None = None) -> Kappa:
    """Estimate the agreement of two raters from a square table of counts.

    Parameters
    ----------
    table : array_like of int, shape (classes, classes)
        Row: class chosen by the first rater; column: by the second.
    labels : sequence of str, optional
        Names of the classes; their numbers from 0 when not given.

    Raises
    ------
    ValueError
        If the table isn't square, holds no rating, or a count is negative or not whole.
    """
    counts, names = _square(table), _names(labels, len(np.asarray(table)))
    total = int(counts.sum())
    estimate, std_error, lower, upper = _beyond_chance(counts)
    return Kappa(
        n=total,
        labels=names,
        table=tuple(tuple(row) for row in counts.tolist()),
        agreement=proportion(int(np.trace(counts)), total),
        estimate=estimate,
        std_error=std_error,
        lower=lower,
        upper=upper,
        method=KAPPA_METHOD,
        reference=KAPPA_REFERENCE,
        cautions=(),
    )


def kappa_of_ratings(first: Sequence[Hashable], second: Sequence[Hashable]) -> Kappa:
    """Estimate the agreement of two raters from their ratings of the same cases.

    Parameters
    ----------
    first, second : sequence of hashable, shape (cases,)
        The class each rater chose; its text names it.

    Raises
    ------
    ValueError
        If the columns differ in length, are empty, or a rating is missing.
    """
    checks.same_length(first=first, second=second)
    for name, column in (("first", first), ("second", second)):
        missing = np.flatnonzero(pd.isna(np.array([*column], dtype=object)))
        if missing.size:
            raise ValueError(f"{name}[{missing[0]}] is missing: both must rate a case; leave the case out")
    ratings = [[str(rating) for rating in column] for column in (first, second)]
    names = sorted({*ratings[0], *ratings[1]})
    counts = np.zeros((len(names), len(names)), dtype=np.int64)
    np.add.at(counts, tuple(np.searchsorted(names, column) for column in ratings), 1)
    return kappa(counts, names)


def _square(table: ArrayLike) -> NDArray[np.int64]:
    cells = np.asarray(table)
    if cells.ndim != 2 or cells.shape[0] != cells.shape[1]:
        raise ValueError(
            f"table has shape {cells.shape}: it must be square; give every class a row and a column"
        )
    counts = np.array([checks.counts(f"table[{row}]", values) for row, values in enumerate(cells)])
    if not counts.sum():
        raise ValueError("table is empty: two raters must have rated at least one case; count again")
    return counts


def _names(labels: Sequence[str] | None, classes: int) -> tuple[str, ...]:
    names = tuple(str(number) for number in range(classes)) if labels is None else tuple(labels)
    if len(names) != classes:
        raise ValueError(f"labels has {len(names)} names, table has {classes} classes: name each class once")
    return names


def _beyond_chance(counts: NDArray[np.int64]) -> tuple[float | None, ...]:
    if np.count_nonzero(counts.sum(axis=0) + counts.sum(axis=1)) < 2:
        return None, None, None, None
    # Its own limits fail where rounding takes a variance of 0 below it, its test where it divides by 0.
    with np.errstate(divide="ignore", invalid="ignore"):
        fit = cohens_kappa(counts)
    value, std_error = float(fit.kappa), sqrt(max(0.0, fit.var_kappa))
    return value, std_error, max(-1.0, value - Z_95 * std_error), min(1.0, value + Z_95 * std_error)
