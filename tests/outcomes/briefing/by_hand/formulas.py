"""The published formulas, one function each, on a row a repair."""

from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.stats import binom, chi2, norm, t

Z = norm.ppf(0.975)
LANDMARKS = {"1": 365, "2": 730, "5": 1826}


def wilson(x: int, n: int) -> dict[str, Any]:
    """Wilson EB. J Am Stat Assoc 1927;22:209-12."""
    if not n:
        return {"share": None, "lower": None, "upper": None}
    share = x / n
    middle = (share + Z**2 / (2 * n)) / (1 + Z**2 / n)
    half = Z / (1 + Z**2 / n) * np.sqrt(share * (1 - share) / n + Z**2 / (4 * n**2))
    return {"share": share, "lower": middle - half if x else 0.0, "upper": middle + half if x < n else 1.0}


def told(x: int, n: int, fewest: int) -> dict[str, Any]:
    """Counts, with the share where enough stand behind it."""
    return {"count": x, "of": n, **(wilson(x, n) if n >= fewest else {})}


class Curve:
    """Kaplan-Meier with late entry; variance by the infinitesimal jackknife with the patient as cluster.

    Where no patient has two repairs and nobody enters late, that variance is Greenwood's.
    """

    def __init__(self, day: Any, failed: Any, entry: Any, patient: Any) -> None:
        self.day = np.asarray(day, dtype=float)
        failures = np.asarray(failed, dtype=bool)
        self.entry = np.where(np.asarray(entry) > 0, np.asarray(entry, dtype=float), -np.inf)
        self.time = np.unique(self.day)
        present = (self.entry[:, None] < self.time) & (self.day[:, None] >= self.time)
        fails = failures[:, None] & (self.day[:, None] == self.time)
        self.at_risk, self.deaths = present.sum(axis=0), fails.sum(axis=0)
        self.share = np.cumprod(1 - self.deaths / self.at_risk)
        left = np.where(self.at_risk > self.deaths, self.at_risk - self.deaths, np.nan)
        with np.errstate(invalid="ignore"):
            influence = np.cumsum((fails - present * self.deaths / self.at_risk) / left, axis=1)
        code = pd.factorize(pd.Series(list(patient)))[0]
        sums = np.zeros((code.max() + 1, self.time.size))
        np.add.at(sums, code, influence)
        self.error_of_log = np.sqrt((sums**2).sum(axis=0))
        self.lower, self.upper = self._limits()

    def _limits(self) -> tuple[Any, Any]:
        inside = np.where((self.share > 0) & (self.share < 1), self.share, np.nan)
        power = np.exp(Z * self.error_of_log / np.abs(np.log(inside)))
        return inside**power, inside ** (1 / power)

    def at(self, day: float) -> dict[str, Any]:
        if day > self.time[-1]:
            return {"share": None, "lower": None, "upper": None, "at_risk": 0}
        at_risk = int(((self.entry < day) & (self.day >= day)).sum())
        place = np.searchsorted(self.time, day, side="right") - 1
        if place < 0:
            return {"share": 1.0, "lower": 1.0, "upper": 1.0, "at_risk": at_risk}
        read = {"share": self.share, "lower": self.lower, "upper": self.upper}
        return {name: _known(values[place]) for name, values in read.items()} | {"at_risk": at_risk}

    def whole(self) -> dict[str, Any]:
        return {
            "day": self.time.tolist(),
            "share": self.share.tolist(),
            "lower": [_known(limit) for limit in self.lower],
            "upper": [_known(limit) for limit in self.upper],
            "at_risk": self.at_risk.tolist(),
        }

    def median(self) -> dict[str, Any]:
        """Where the curve and its limits come down to one half, as R's quantile.survfit."""
        columns = {"estimate": self.share, "lower": self.lower, "upper": self.upper}
        return {name: self._half(values) for name, values in columns.items()}

    def _half(self, values: Any) -> float | None:
        near = np.sqrt(np.finfo(float).eps)
        ends = []
        for limit in (0.5 + near, 0.5 - near):
            below = np.flatnonzero(values <= limit)
            highest = below[np.argmax(values[below])] if below.size else None
            ends.append(highest)
        if ends[0] is None:
            return None
        return float((self.time[ends[0]] + self.time[-1 if ends[1] is None else ends[1]]) / 2)


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


# --- tests ------------------------------------------------------------------------------------


def _moments(rows: pd.DataFrame) -> Any:
    """Each day of failure with who is at risk and who fails."""
    day, failed = rows["day"].to_numpy(), rows["failed"].to_numpy()
    entry = np.where(rows["entry"] > 0, rows["entry"], -1)
    for moment in np.unique(day[failed]):
        yield (entry < moment) & (day >= moment), failed & (day == moment)


def log_rank(rows: pd.DataFrame, by: str, order: list[str]) -> dict[str, Any]:
    """Mantel-Haenszel statistic over groups, and Tarone's test for trend over their order."""
    member = np.column_stack([(rows[by] == group).to_numpy() for group in order]).astype(float)
    excess, covariance = np.zeros(len(order)), np.zeros((len(order), len(order)))
    for present, fails in _moments(rows):
        n, d = present.sum(), fails.sum()
        share = member[present].sum(axis=0) / n
        excess += member[fails].sum(axis=0) - d * share
        if n > 1:
            covariance += d * (n - d) / (n - 1) * (np.diag(share) - np.outer(share, share))
    # A group never at risk when one fails adds no degree of freedom.
    degrees = int(np.linalg.matrix_rank(covariance))
    statistic = float(excess @ np.linalg.pinv(covariance, hermitian=True) @ excess)
    return {"excess": excess, "covariance": covariance, "test": _chi_square(statistic, degrees)}


def trend(found: dict[str, Any], scores: list[int]) -> dict[str, Any]:
    weight = np.array(scores, dtype=float)
    z = float(weight @ found["excess"] / np.sqrt(weight @ found["covariance"] @ weight))
    return {"z": z, "p": 2 * norm.sf(abs(z))}


def clustered_score(rows: pd.DataFrame, by: str, order: list[str]) -> dict[str, Any]:
    """Robust score test of a Cox model at 0 with Efron's ties: score residuals summed by patient."""
    member = np.column_stack([(rows[by] == group).to_numpy() for group in order[1:]]).astype(float)
    residual = np.zeros_like(member)
    for present, fails in _moments(rows):
        d = fails.sum()
        for k in range(d):
            weight = present - fails * k / d
            total = weight.sum()
            mean = weight @ member / total
            residual[fails] += (member[fails] - mean) / d
            residual -= (weight / total)[:, None] * (member - mean)
    code = pd.factorize(rows["who"])[0]
    sums = np.zeros((code.max() + 1, member.shape[1]))
    np.add.at(sums, code, residual)
    score = sums.sum(axis=0)
    return _chi_square(float(score @ np.linalg.solve(sums.T @ sums, score)), member.shape[1])


def holm(by: dict[str, Any]) -> dict[str, Any]:
    """Splits with P after Holm over all tested, by patient where that test was made."""
    tested = {
        code: found.get("clustered", found["log_rank"])["p"]
        for code, found in by.items()
        if "log_rank" in found
    }
    so_far = 0.0
    for place, code in enumerate(sorted(tested, key=lambda code: tested[code])):
        so_far = max(so_far, min(1.0, tested[code] * (len(tested) - place)))
        by[code]["p_holm"] = so_far
    return by


def _chi_square(statistic: float, degrees: int) -> dict[str, Any]:
    return {"chi_square": statistic, "degrees": degrees, "p": float(chi2.sf(statistic, degrees))}


# --- the lost ---------------------------------------------------------------------------------


def tipping(rows: pd.DataFrame, at: int, threshold: float) -> float | str | None:
    """The hazard ratio in the lost at which survival falls below the threshold."""
    curve = Curve(rows["day"], rows["failed"], rows["entry"], rows["repair"])
    if at > curve.time[-1]:
        return None
    until = curve.time <= at
    lost = np.array([(rows["lost"] & (rows["day"] == day)).sum() for day in curve.time[until]])
    y, d, share = curve.at_risk[until], curve.deaths[until], curve.share[until]
    remaining = share[-1] / share

    def standing(added: Any) -> float:
        return float(np.prod(1 - (d + added) / y))

    if not standing(lost) < threshold <= share[-1]:
        return None
    if standing(lost * (remaining < 1)) >= threshold:
        return "infinite"
    root = brentq(
        lambda log: standing(lost * (1 - remaining ** np.expm1(log))) - threshold,
        0,
        40,
        xtol=1e-15,
        rtol=1e-14,
    )
    return float(np.exp(root))


# --- funnel, scores, agreement ----------------------------------------------------------------


def funnel_limit(n: int, target: float, p: float) -> float:
    """Spiegelhalter DJ. Stat Med 2005;24:1185-202, appendix A.1.1."""
    r = 0
    while binom.cdf(r, n, target) < p:
        r += 1
    return float((r - (binom.cdf(r, n, target) - p) / binom.pmf(r, n, target)) / n)


def mean_t(values: Any) -> dict[str, Any]:
    """Mean with its t interval."""
    n, mean = len(values), float(np.mean(values))
    half = t.ppf(0.975, n - 1) * np.std(values, ddof=1) / np.sqrt(n)
    return {"estimate": mean, "lower": mean - half, "upper": mean + half}


def kappa(a: int, b: int, c: int, d: int) -> dict[str, Any]:
    """Cohen's kappa of a 2 x 2 table with the error of Fleiss, Cohen and Everitt 1969."""
    p = np.array([[a, b], [c, d]], dtype=float) / (a + b + c + d)
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    agreed, expected = np.trace(p), rows @ columns
    value = (agreed - expected) / (1 - expected)
    first = sum(p[i, i] * (1 - (rows[i] + columns[i]) * (1 - value)) ** 2 for i in range(2))
    second = (1 - value) ** 2 * sum(
        p[i, j] * (columns[i] + rows[j]) ** 2 for i in range(2) for j in range(2) if i != j
    )
    third = (value - expected * (1 - value)) ** 2
    error = np.sqrt((first + second - third) / ((a + b + c + d) * (1 - expected) ** 2))
    return {"estimate": value, "lower": max(-1.0, value - Z * error), "upper": min(1.0, value + Z * error)}
