"""The example release packed once for all tests that only read it."""

import zipfile
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from outcomes.release import package
from outcomes.release.effect import landmarks
from outcomes.release.frozen import REPAIRS, Frozen
from tests.outcomes.release.frozen_example import frozen_example


def silently(step: str, done: int, total: int) -> None:
    """Tell nobody."""


def with_repairs(repairs: pd.DataFrame) -> Frozen:
    """The example with other repairs."""
    example = frozen_example()
    return replace(example, tables=example.tables | {REPAIRS: repairs}, survival=landmarks(repairs))


@pytest.fixture(scope="session")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("packed") / "example.zip"
    package.build(frozen_example(), path, silently)
    return path


@pytest.fixture(scope="session")
def unpacked(packed: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the members; tests that change one copy it first."""
    folder = tmp_path_factory.mktemp("unpacked")
    with zipfile.ZipFile(packed) as archive:
        archive.extractall(folder)
    return folder
