"""Reads the outside truth of fixtures/reference; its README.md names the sources."""

import json
from collections.abc import Callable
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
