"""Anonymity of sdcMicro's francdat against counts in base R 4.2.2 (class sizes as freqCalc prints them)."""

from typing import Any

import pandas as pd
import pytest

from outcomes.estimators.anonymity import anonymity


@pytest.mark.parametrize("choice", ["all_keys", "two_keys", "one_key"])
def test_anonymity(reference: Any, compare: Any, choice: str) -> None:
    truth = reference("kanon_francdat")
    expected = truth.expected[choice]
    found = anonymity(pd.DataFrame(truth.data), expected["keys"], expected["sensitive"])
    for name in ("k", "classes", "distinct_l", "t_closeness", "class_sizes", "highest_risk", "mean_risk"):
        compare("anonymity", "francdat", f"{choice} {name}", getattr(found, name), expected[name])
    below = {size: len(found.rows_below(int(size))) for size in expected["rows_below"]}
    assert below == expected["rows_below"]
    shares = {size: [1 / n for n in found.class_sizes if n < int(size)] for size in expected["classes_below"]}
    assert {size: round(sum(of)) for size, of in shares.items()} == expected["classes_below"]
