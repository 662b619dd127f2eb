"""Reads the outside truth of fixtures/reference; its README.md names the sources."""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

CLOSED_FORM = 1e-9  # relative tolerance, never wider
FOLDER = Path(__file__).parents[2] / "fixtures" / "reference"


@dataclass(frozen=True)
class Reference:
    """One data set with what R makes of it; a selection is `overall` or `column=value`."""

    data: dict[str, list[Any]]
    expected: dict[str, Any]
    published: dict[str, Any]

    def column(self, name: str, selection: str = "overall") -> list[Any]:
        by, _, value = selection.partition("=")
        chosen = [not value or str(group) == value for group in self.data.get(by, self.data[name])]
        return [entry for entry, keep in zip(self.data[name], chosen, strict=True) if keep]

    def curve(self, selection: str) -> Any:
        return self.expected["curves"][selection]


@cache
def _read(name: str) -> Reference:
    content = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    return Reference(content["data"], content["expected"], content.get("published", {}))


@pytest.fixture(scope="session")
def reference() -> Callable[[str], Reference]:
    return _read


def _same(expected: Any) -> Any:
    if isinstance(expected, dict):
        return {key: _same(value) for key, value in expected.items()}
    if isinstance(expected, list | tuple):
        return tuple(_same(value) for value in expected)
    return expected if expected is None else pytest.approx(expected, rel=CLOSED_FORM, abs=0)


@pytest.fixture(scope="session")
def same() -> Callable[[Any], Any]:
    """Equal within the closed-form tolerance, number by number; only None equals R's NA."""
    return _same


Compare = Callable[..., None]


@pytest.fixture
def compare(record_property: Callable[[str, object], None]) -> Compare:
    """Hold a result against the outside truth, and keep the largest relative difference for the table.

    compare("Kaplan-Meier", "aml", "survival", found, expected) asserts that each number is within `tolerance`
    (relative; absolute where the truth is 0) and that None stands where the truth has none. `found` and
    `expected` are numbers, None, or sequences or mappings of them, alike in shape.
    """

    def held(
        estimator: str, data: str, quantity: str, found: Any, expected: Any, tolerance: float = CLOSED_FORM
    ) -> None:
        largest = max((_difference(a, b) for a, b in _pairs(found, expected)), default=0.0)
        record_property("reference", [estimator, data, quantity, tolerance, largest])
        assert largest <= tolerance, f"{estimator} on {data}, {quantity}: off by {largest:.3g}"

    return held


def _pairs(found: Any, expected: Any) -> Iterator[tuple[Any, Any]]:
    if isinstance(expected, dict):
        assert set(found) == set(expected)
        for key in expected:
            yield from _pairs(found[key], expected[key])
    elif isinstance(expected, list | tuple):
        assert len(found) == len(expected)
        for ours, theirs in zip(found, expected, strict=True):
            yield from _pairs(ours, theirs)
    else:
        yield found, expected


def _difference(ours: float | None, theirs: float | None) -> float:
    if ours is None or theirs is None:
        assert ours is None, f"{ours} where the truth has none"
        assert theirs is None, f"none where the truth has {theirs}"
        return 0.0
    return abs(ours - theirs) / (abs(theirs) or 1.0)
