"""Shares of a whole, events per person-time, and observed over expected, each with its 95 % interval."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

from outcomes.estimators import checks
from outcomes.estimators.cautions import Caution, counts_only
from outcomes.estimators.normal import Z_95

PROPORTION_FORMULA = (
    "(p + z^2 / 2n +/- z sqrt(p (1 - p) / n + z^2 / 4n^2)) / (1 + z^2 / n), p = x / n, z = 1.96."
)
PROPORTION_METHOD = "Share of a whole with the 95 % score interval of Wilson."
PROPORTION_REFERENCE = "Wilson EB. J Am Stat Assoc 1927;22:209-12."
RATE_FORMULA = "Limits of d events in time T: chi-square(0.025; 2d) / 2T and chi-square(0.975; 2d + 2) / 2T."
RATE_METHOD = "Events over person-time with the exact 95 % Poisson interval of Garwood."
RATE_REFERENCE = "Garwood F. Biometrika 1936;28:437-42."
RATIO_FORMULA = (
    "Limits of O / E: O (1 - 1 / 9O - z / 3 sqrt(O)) ^ 3 / E and P (1 - 1 / 9P + z / 3 sqrt(P)) ^ 3 / E, "
    "P = O + 1."
)
RATIO_METHOD = "Events observed over events expected, with Byar's approximate 95 % interval."
RATIO_REFERENCE = (
    "Breslow NE, Day NE. Statistical Methods in Cancer Research, volume II. IARC, Lyon 1987, page 69."
)


@dataclass(frozen=True, slots=True)
class Proportion:
    """`x` of `n` as a share between 0 and 1; estimate and limits are None when `n` is 0.

    `counts_only` asks whoever shows it to show `x` of `n` and no share: too few stand behind it.
    """

    x: int
    n: int
    estimate: float | None
    lower: float | None
    upper: float | None
    counts_only: bool
    method: str
    reference: str
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class Rate:
    """Events for each `per` units of person-time; estimate and limits are None when `person_time` is 0."""

    events: int
    person_time: float
    per: float
    estimate: float | None
    lower: float | None
    upper: float | None
    method: str
    reference: str
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class ObservedExpected:
    """Events observed over events expected; ratio and limits are None when none is expected."""

    observed: int
    expected: float
    estimate: float | None
    lower: float | None
    upper: float | None
    method: str
    reference: str
    cautions: tuple[Caution, ...]


def proportion(x: int, n: int) -> Proportion:
    """Estimate a share with Wilson's interval.

    Parameters
    ----------
    x : int
        How many have the property, 0 to `n`.
    n : int
        How many were looked at, 0 or more.

    Raises
    ------
    ValueError
        If a count is negative or not whole, or `x` is more than `n`.

    Examples
    --------
    >>> share = proportion(131, 566)
    >>> [round(100 * value, 3) for value in (share.lower, share.upper)]
    [19.858, 26.794]
    """
    part, whole = checks.count("x", x), checks.count("n", n)
    if part > whole:
        raise ValueError(f"x is {part}: it must be no more than n, {whole}; count both in the same repairs")
    lower, upper = _wilson(part, whole) if whole else (None, None)
    caution = counts_only(whole)
    return Proportion(
        x=part,
        n=whole,
        estimate=part / whole if whole else None,
        lower=lower,
        upper=upper,
        counts_only=caution is not None,
        method=PROPORTION_METHOD,
        reference=PROPORTION_REFERENCE,
        cautions=(caution,) if caution else (),
    )


def _wilson(x: int, n: int) -> tuple[float, float]:
    lower, upper = proportion_confint(x, n, method="wilson")
    # The formula gives 0 and 1 at the ends, but for rounding.
    return float(lower) if x else 0.0, float(upper) if x < n else 1.0


def rate(events: int, person_time: float, per: float = 1.0) -> Rate:
    """Estimate a rate with Garwood's exact interval.

    Parameters
    ----------
    events : int
        Events seen, 0 or more.
    person_time : float
        Time under observation, summed over repairs, in any one unit; 0 or more.
    per : float
        The rate is given for so many units: 100 for events per 100 repair-years.

    Raises
    ------
    ValueError
        If an argument breaks its rule, or there are events in no time at all.
    """
    count, time = checks.count("events", events), checks.amount("person_time", person_time)
    units = checks.above_zero("per", per)
    if count and not time:
        raise ValueError(f"person_time is 0 with {count} events: events need time to happen in; sum it anew")
    lower, upper = confint_poisson(count, time, method="exact-c") if time else (None, None)
    return Rate(
        events=count,
        person_time=time,
        per=units,
        estimate=units * count / time if time else None,
        lower=None if lower is None else units * float(lower),
        upper=None if upper is None else units * float(upper),
        method=RATE_METHOD,
        reference=RATE_REFERENCE,
        cautions=(),
    )


def observed_expected(observed: int, expected: float) -> ObservedExpected:
    """Compare events observed with events expected, with Byar's interval.

    Parameters
    ----------
    observed : int
        Events seen, 0 or more.
    expected : float
        Events expected from the risk of each repair, such as those of a Cox model; 0 or more.

    Raises
    ------
    ValueError
        If an argument breaks its rule.

    Notes
    -----
    With O observed the limits of the count are O (1 - 1/(9 O) - z/(3 sqrt O))^3 and, with O' = O + 1,
    O' (1 - 1/(9 O') + z/(3 sqrt O'))^3. The expected number is taken as known without error.
    """
    count, awaited = checks.count("observed", observed), checks.amount("expected", expected)
    lower, upper = (_byar(count, -Z_95), _byar(count + 1, Z_95)) if awaited else (None, None)
    return ObservedExpected(
        observed=count,
        expected=awaited,
        estimate=count / awaited if awaited else None,
        lower=None if lower is None else lower / awaited,
        upper=None if upper is None else upper / awaited,
        method=RATIO_METHOD,
        reference=RATIO_REFERENCE,
        cautions=(),
    )


def _byar(count: int, z: float) -> float:
    return count * (1 - 1 / (9 * count) + z / (3 * sqrt(count))) ** 3 if count else 0.0
