"""Kappa against worked examples in print (from memory) and its formula; diagnostic shares against Wilson."""

from typing import Any

import numpy as np
import pytest

from outcomes.estimators.agreement import diagnostic, kappa

# Fleiss JL, Cohen J, Everitt BS. Psychol Bull 1969;72:323-7, 200 cases in three classes: kappa 0.429,
# variance 0.002885. From memory, and found again to every digit.
FLEISS_COHEN_EVERITT = [[106, 10, 4], [22, 28, 10], [2, 12, 6]]
# Fleiss JL. Statistical Methods for Rates and Proportions, 1981, chapter 13, 100 diagnoses by two raters:
# agreement 0.89, kappa 0.68. From memory.
TWO_DIAGNOSTICIANS = [[75, 1, 4], [5, 4, 1], [0, 0, 10]]
# Fifty grant proposals read twice, a textbook example: agreement 0.7, by chance 0.5, kappa 0.4. From memory.
TWO_READERS = [[20, 5], [10, 15]]


def fleiss_cohen_everitt(table: Any) -> tuple[float, float]:
    """Kappa and its standard error, cell by cell from the formula of 1969."""
    p = np.asarray(table) / np.sum(table)
    rows, columns, classes = p.sum(axis=1), p.sum(axis=0), range(len(p))
    chance = sum(rows[i] * columns[i] for i in classes)
    value = (sum(p[i, i] for i in classes) - chance) / (1 - chance)
    on = sum(p[i, i] * (1 - (rows[i] + columns[i]) * (1 - value)) ** 2 for i in classes)
    off = sum(p[i, j] * (columns[i] + rows[j]) ** 2 for i in classes for j in classes if i != j)
    variance = on + (1 - value) ** 2 * off - (value - chance * (1 - value)) ** 2
    return float(value), float(np.sqrt(variance / np.sum(table)) / (1 - chance))


def test_printed_examples() -> None:
    found = kappa(FLEISS_COHEN_EVERITT)
    assert found.estimate is not None
    assert found.std_error is not None
    assert (round(found.estimate, 3), round(found.std_error**2, 6)) == (0.429, 0.002885)
    found = kappa(TWO_DIAGNOSTICIANS)
    assert found.estimate is not None
    assert (found.agreement.estimate, round(found.estimate, 2)) == (0.89, 0.68)
    assert kappa(TWO_READERS).estimate == pytest.approx(0.4, rel=1e-12)


@pytest.mark.parametrize("table", [FLEISS_COHEN_EVERITT, TWO_DIAGNOSTICIANS, TWO_READERS])
def test_formula_of_1969(compare: Any, table: list[list[int]]) -> None:
    found = kappa(table)
    value, std_error = fleiss_cohen_everitt(table)
    z = 1.959963984540054
    numbers = [found.estimate, found.std_error, found.lower, found.upper]
    expected = [value, std_error, value - z * std_error, value + z * std_error]
    compare("kappa", "printed tables", f"{found.n} cases", numbers, expected)


def test_diagnostic_shares(reference: Any, compare: Any) -> None:
    truth = reference("proportions")
    wilson = {
        (x, n): [truth.expected[name][row] for name in ("estimate", "lower", "upper")]
        for row, (x, n) in enumerate(zip(truth.data["x"], truth.data["n"], strict=True))
    }
    # 20 of 50 ill found, 47 of 50 well cleared.
    found = diagnostic(true_positive=20, false_positive=3, false_negative=30, true_negative=47)
    for share, counts in ((found.sensitivity, (20, 50)), (found.specificity, (47, 50))):
        numbers = [share.estimate, share.lower, share.upper]
        compare("diagnostic", "proportions", f"{counts}", numbers, wilson[counts])
