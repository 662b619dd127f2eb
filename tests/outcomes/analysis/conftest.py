"""Asks `analyse` about the data sets of fixtures/reference, and knows what R makes of them."""

import csv
import json
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from tests.outcomes.analysis.running import analyse

FOLDER = Path(__file__).parents[3] / "fixtures" / "reference"
# Relative tolerances, never wider: closed forms, and fits found by iteration.
CLOSED_FORM = 1e-9
ITERATED = 1e-6


@cache
def _reference(name: str) -> Any:
    return json.loads((FOLDER / f"{name}.json").read_text())


@pytest.fixture
def truth() -> Callable[[str], Any]:
    """The expected values of a data set; fixtures/reference/README.md names their source."""
    return lambda name: _reference(name)["expected"]


@pytest.fixture
def ask(tmp_path: Path) -> Callable[..., Any]:
    """The JSON answer of a method to columns written as a CSV file."""

    def of(columns: Mapping[str, Sequence[Any]], method: str, *options: str) -> Any:
        path = tmp_path / "file.csv"
        with path.open("w", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(columns)
            writer.writerows(zip(*columns.values(), strict=True))
        ended = analyse(path, "--method", method, *options, "--json")
        assert (ended.code, ended.err) == (0, "")
        return json.loads(ended.out)

    return of


@pytest.fixture
def answer(ask: Callable[..., Any]) -> Callable[..., Any]:
    """The JSON answer of a method to a reference data set."""
    return lambda name, method, *options: ask(_reference(name)["data"], method, *options)


def _close(expected: Any, tolerance: float = CLOSED_FORM) -> Any:
    if isinstance(expected, dict):
        return {key: _close(value, tolerance) for key, value in expected.items()}
    if isinstance(expected, list):
        return [_close(value, tolerance) for value in expected]
    return pytest.approx(expected, rel=tolerance, abs=0) if isinstance(expected, float) else expected


@pytest.fixture
def close() -> Callable[..., Any]:
    """Equal within the tolerance, number by number and key by key; only null equals R's NA."""
    return _close


@pytest.fixture
def data() -> Callable[[str], Any]:
    """The columns of a data set."""
    return lambda name: _reference(name)["data"]
