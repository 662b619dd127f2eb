"""Slow second opinions on Cox regression, failure by failure and row by row, from the definitions."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


@dataclass(frozen=True)
class Sample:
    """Rows with ties, at risk in (entry, time]; two covariates, the second a group of three."""

    time: Array
    failed: Array
    x: Array
    group: Array
    entry: Array
    stratum: Array
    patient: Array

    def table(self) -> dict[str, Array]:
        return {name: getattr(self, name) for name in self.__dataclass_fields__}

    def covariates(self) -> Array:
        return np.column_stack([self.x, self.group == "q", self.group == "r"]).astype(float)

    def at_risk(self, row: int, other: int) -> bool:
        """`other` is at risk when `row` fails."""
        same = self.stratum[row] == self.stratum[other]
        return bool(same and self.entry[other] < self.time[row] <= self.time[other])


def drawn(seed: int, *, late: bool, strata: bool, rows: int = 60) -> Sample:
    random = np.random.default_rng(seed)
    time = random.integers(2, 12, rows)
    # 0 is no late entry.
    entry = np.maximum(random.integers(-4, time - 1), 0) if late else np.zeros(rows, int)
    stratum = random.choice(["s", "t"], rows) if strata else np.full(rows, "s")
    return Sample(
        time=time,
        failed=random.random(rows) < 0.7,
        x=random.integers(-2, 3, rows).astype(float),
        group=random.choice(["p", "q", "r"], rows),
        entry=entry,
        stratum=stratum,
        patient=random.integers(0, rows // 2, rows),
    )


@dataclass(frozen=True)
class Step:
    """One step of Efron: the failing row, those at risk, and what each counts (failing ones a part)."""

    row: int
    risk: Array

    def mean(self, covariates: Array) -> Array:
        return np.asarray(self.risk @ covariates / self.risk.sum())

    def covariance(self, covariates: Array) -> Array:
        apart = covariates - self.mean(covariates)
        return np.asarray((apart.T * self.risk) @ apart / self.risk.sum())


def steps(sample: Sample, coefficients: Array) -> Iterator[Step]:
    rows = range(sample.time.size)
    risk = np.exp(sample.covariates() @ coefficients)
    for stratum, day in sorted(
        {(sample.stratum[row], sample.time[row]) for row in rows if sample.failed[row]}
    ):
        failing = [
            r for r in rows if sample.failed[r] and (sample.stratum[r], sample.time[r]) == (stratum, day)
        ]
        for gone, row in enumerate(failing):
            counts = np.array([float(sample.at_risk(row, other)) for other in rows])
            counts[failing] -= gone / len(failing)
            yield Step(row, counts * risk)


def log_likelihood(sample: Sample, coefficients: Array) -> float:
    predictor = sample.covariates() @ coefficients
    return float(sum(predictor[step.row] - np.log(step.risk.sum()) for step in steps(sample, coefficients)))


def score_residuals(sample: Sample, coefficients: Array) -> Array:
    """Each row's covariates less their mean, where it fails, less what was expected of it [Therneau 2000]."""
    x = sample.covariates()
    residuals = np.zeros_like(x)
    for step in steps(sample, coefficients):
        tied = np.flatnonzero(
            sample.failed
            & (sample.time == sample.time[step.row])
            & (sample.stratum == sample.stratum[step.row])
        )
        residuals[tied] += (x[tied] - step.mean(x)) / tied.size
        residuals -= step.risk[:, None] / step.risk.sum() * (x - step.mean(x))
    return residuals


def by_patient(sample: Sample, residuals: Array) -> Array:
    return np.array([residuals[sample.patient == one].sum(axis=0) for one in np.unique(sample.patient)])


def information(sample: Sample, coefficients: Array) -> Array:
    return np.asarray(sum(step.covariance(sample.covariates()) for step in steps(sample, coefficients)))


def proportionality(sample: Sample, coefficients: Array) -> tuple[list[float], float]:
    """The score test of x g(t) in the model, covariates that change from failure to failure."""
    x, size = sample.covariates(), coefficients.size
    scale = {day: 1 - share for day, share in before(sample).items()}
    centre = np.mean([scale[day] for day in sample.time[sample.failed]])
    score, matrix = np.zeros(2 * size), np.zeros((2 * size, 2 * size))
    for step in steps(sample, coefficients):
        now = np.hstack([x, x * (scale[sample.time[step.row]] - centre)])
        score += now[step.row] - step.mean(now)
        matrix += step.covariance(now)

    def statistic(added: list[int]) -> float:
        kept = [*range(size), *(size + place for place in added)]
        return float(score[kept] @ np.linalg.inv(matrix[np.ix_(kept, kept)]) @ score[kept])

    return [statistic([place]) for place in range(size)], statistic([*range(size)])


def before(sample: Sample) -> dict[Any, float]:
    """The Kaplan-Meier curve just before each day of failure, strata together."""
    share, curve = 1.0, {}
    for day in np.unique(sample.time[sample.failed]):
        curve[day] = share
        at_risk = np.sum((sample.entry < day) & (day <= sample.time))
        share *= 1 - np.sum(sample.failed & (sample.time == day)) / at_risk
    return curve


def concordance(sample: Sample, coefficients: Array) -> float:
    """Pair by pair: who fails while the other stays at risk should have the larger predictor."""
    predictor = [round(value, 9) for value in sample.covariates() @ coefficients]
    won = []
    for row, other in product(range(sample.time.size), repeat=2):
        both_fail = sample.failed[other] and sample.time[other] == sample.time[row]
        if sample.failed[row] and sample.at_risk(row, other) and not both_fail:
            won.append((predictor[row] > predictor[other]) + (predictor[row] == predictor[other]) / 2)
    return float(np.mean(won))
