"""Restricted means against R 4.2.2, survival 3.5-3: survival:::survmean(survfit(...), rmean = tau)."""

from collections import Counter
from typing import Any

import pytest

from outcomes.estimators.restricted_mean import restricted_mean
from tests.reference.selections import CURVES


@pytest.mark.parametrize(("name", "selection"), CURVES)
def test_restricted_mean(reference: Any, compare: Any, name: str, selection: str) -> None:
    truth = reference(name)
    time, status = truth.column("time", selection), truth.column("status", selection)
    counts = Counter(zip(time, status, strict=True))
    times, failed = zip(*counts, strict=True)
    for r in truth.curve(selection)["restricted_mean"]:
        row_by_row = restricted_mean(time, status, tau=r["tau"])
        counted = restricted_mean(times, failed, list(counts.values()), tau=r["tau"])
        for found in (row_by_row, counted):
            compare("restricted mean", name, f"tau {r['tau']}", {key: getattr(found, key) for key in r}, r)
