"""Proportions and rates against R 4.2.2: prop.test(correct = FALSE) and poisson.test, base R."""

from typing import Any

import pytest

from outcomes.estimators.rates import observed_expected, proportion, rate

INTERVAL = ("estimate", "lower", "upper")


def test_wilson(reference: Any, compare: Any) -> None:
    truth = reference("proportions")
    found = [proportion(x, n) for x, n in zip(truth.data["x"], truth.data["n"], strict=True)]
    for name in INTERVAL:
        compare("Wilson", "proportions", name, [getattr(f, name) for f in found], truth.expected[name])


@pytest.mark.parametrize("per", [1, 100])
def test_garwood(reference: Any, compare: Any, per: float) -> None:
    truth = reference("poisson_rates")
    rows = zip(truth.data["events"], truth.data["person_years"], strict=True)
    found = [rate(events, years, per) for events, years in rows]
    for name in INTERVAL:
        expected = [per * value for value in truth.expected[name]]
        compare("Garwood", "poisson_rates", f"{name} per {per}", [getattr(f, name) for f in found], expected)


def test_byar_written_out(compare: Any) -> None:
    # Formula of Breslow & Day, volume II, written out by hand for 10 observed and 8 expected.
    z = 1.959963984540054
    lower = 10 * (1 - 1 / 90 - z / (3 * 10**0.5)) ** 3 / 8
    upper = 11 * (1 - 1 / 99 + z / (3 * 11**0.5)) ** 3 / 8
    found = observed_expected(10, 8)
    compare("Byar", "10 of 8", "interval", [found.estimate, found.lower, found.upper], [10 / 8, lower, upper])
