"""Slow second opinions in exact fractions, straight from the definitions: curves, influences, log-rank."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import isclose, sqrt

from hypothesis import strategies as st

STEP = Fraction(1, 10**12)


@dataclass(frozen=True)
class Row:
    """`n` repairs at risk at each day with entry < day <= time; entry None means from the start."""

    time: int
    failed: bool
    n: int = 1
    entry: int | None = None
    patient: str | None = None
    group: str = "a"
    stratum: str = "s"

    def at_risk(self, day: int) -> bool:
        return day <= self.time and (self.entry is None or self.entry < day)


def columns(rows: Sequence[Row], *names: str) -> list[list[object]]:
    """The named columns; an entry from the start is 0."""
    return [
        [getattr(row, name) or 0 if name == "entry" else getattr(row, name) for row in rows] for name in names
    ]


@st.composite
def any_row(
    draw: st.DrawFn, *, late: bool = True, patients: str = "", groups: str = "a", strata: str = "s"
) -> Row:
    time = draw(st.integers(0, 15))
    return Row(
        time,
        draw(st.booleans()),
        draw(st.integers(1, 3)),
        draw(st.none() | st.integers(1, time - 1)) if late and time > 1 else None,
        draw(st.none() | st.sampled_from(patients)) if patients else None,
        draw(st.sampled_from(groups)),
        draw(st.sampled_from(strata)),
    )


def near(ours: Sequence[float | None], theirs: Sequence[float | None]) -> bool:
    """Equal up to rounding, number by number; None only where both have none."""
    return len(ours) == len(theirs) and all(
        one is other is None
        or (one is not None and other is not None and isclose(one, other, rel_tol=1e-9, abs_tol=1e-9))
        for one, other in zip(ours, theirs, strict=True)
    )


def survival(rows: Sequence[Row], weights: Sequence[Fraction] | None = None) -> dict[int, Fraction]:
    """The product limit at each day a row ends [Kaplan & Meier 1958], rows weighted."""
    weights = weights or [Fraction(row.n) for row in rows]
    share, curve = Fraction(1), {}
    for day in sorted({row.time for row in rows}):
        at_risk = sum(w for row, w in zip(rows, weights, strict=True) if row.at_risk(day))
        failing = sum(w for row, w in zip(rows, weights, strict=True) if row.failed and row.time == day)
        share *= 1 - failing / at_risk
        curve[day] = share
    return curve


def area(curve: dict[int, Fraction], tau: int) -> Fraction:
    """The area under a step curve from 0 to tau."""
    days = [0, *(day for day in curve if day < tau), tau]
    heights = [Fraction(1), *(share for day, share in curve.items() if day < tau)]
    return sum((h * (b - a) for h, a, b in zip(heights, days[:-1], days[1:], strict=True)), Fraction(0))


def jackknife_error(rows: Sequence[Row], estimate: Callable[[Sequence[Fraction]], Fraction]) -> float:
    """The infinitesimal jackknife: root of the sum over patients of squared derivatives by their weight.

    A labelled row's repairs move together; each repair of a row without a label is a patient's only one.
    """
    labels = {row.patient for row in rows if row.patient is not None}
    together = [[Fraction(row.n if row.patient == label else 0) for row in rows] for label in labels]
    alone = [
        (row.n, [Fraction(place == own) for place in range(len(rows))])
        for own, row in enumerate(rows)
        if row.patient is None
    ]
    return sqrt(
        sum(n * _derivative(rows, way, estimate) ** 2 for n, way in [*((1, w) for w in together), *alone])
    )


def _derivative(
    rows: Sequence[Row], way: Sequence[Fraction], estimate: Callable[[Sequence[Fraction]], Fraction]
) -> Fraction:
    ahead, back = ([row.n + sign * STEP * w for row, w in zip(rows, way, strict=True)] for sign in (1, -1))
    return (estimate(ahead) - estimate(back)) / (2 * STEP)


def mantel(rows: Sequence[Row], score: Callable[[str], int]) -> tuple[Fraction, Fraction]:
    """Scores of those failing less expected, and the variance, summed over days and strata [Mantel 1966]."""
    difference, variance = Fraction(0), Fraction(0)
    for stratum, day in {(row.stratum, row.time) for row in rows if row.failed}:
        here = [(score(row.group), row) for row in rows if row.stratum == stratum and row.at_risk(day)]
        at_risk = sum(row.n for _, row in here)
        failing = sum(row.n for _, row in here if row.failed and row.time == day)
        mean = Fraction(sum(value * row.n for value, row in here), at_risk)
        square = Fraction(sum(value**2 * row.n for value, row in here), at_risk)
        difference += sum(value * row.n for value, row in here if row.failed and row.time == day)
        difference -= failing * mean
        if at_risk > 1:
            variance += failing * (square - mean**2) * Fraction(at_risk - failing, at_risk - 1)
    return difference, variance
