"""The same curves and tests by R's survival package on the same rows, where R is installed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from shutil import which
from statistics import median
from subprocess import run as run_program
from tempfile import TemporaryDirectory

import pandas as pd

SCRIPT = Path(__file__).with_name("estimators.R")
WITHOUT_SURVIVAL = 3


@dataclass(frozen=True, slots=True)
class FromR:
    """What R found and how long it took by its own clock, the median of its turns.

    Curves have a row a day with survival and its limits, tests a statistic and a P value.
    """

    curves: dict[tuple[str, str], pd.DataFrame]
    tests: dict[str, tuple[float, float]]
    seconds: float
    version: str


def from_r(repairs: pd.DataFrame, strata: Mapping[str, Sequence[str]], repeats: int) -> FromR | None:
    """Hand the rows over in a file, let R read them before its clock runs, and read what it found.

    Returns
    -------
    FromR or None
        None where there is no Rscript, or no survival package in it.

    Raises
    ------
    RuntimeError
        If R stops on its way, with its words.
    """
    program = which("Rscript")
    if program is None:
        return None
    with TemporaryDirectory() as name:
        folder = Path(name)
        _write(repairs, strata, folder)
        command = [program, "--vanilla", str(SCRIPT), name, str(repeats)]
        ended = run_program(command, capture_output=True, text=True, check=False)  # noqa: S603 - own script
        if ended.returncode == WITHOUT_SURVIVAL:
            return None
        if ended.returncode:
            raise RuntimeError(f"Rscript stopped: {ended.stderr.strip()}")
        return _read(folder, strata)


def _write(repairs: pd.DataFrame, strata: Mapping[str, Sequence[str]], folder: Path) -> None:
    """Write the columns one after another as whole numbers of four bytes."""
    columns = {stratum: repairs[stratum].cat.codes for stratum in strata}
    columns |= {"day": repairs["day"], "failed": repairs["failed"]}
    (folder / "columns").write_text("\n".join(columns) + "\n")
    (folder / "rows").write_bytes(b"".join(column.to_numpy("<i4").tobytes() for column in columns.values()))


def _read(folder: Path, strata: Mapping[str, Sequence[str]]) -> FromR:
    steps = pd.read_csv(folder / "curves.csv", float_precision="round_trip")
    tests = pd.read_csv(folder / "tests.csv", float_precision="round_trip", index_col="stratum")
    curves = {
        (stratum, name): part.set_index("day")[["survival", "lower", "upper"]]
        for stratum, names in strata.items()
        for level, name in enumerate(names)
        if not (part := steps[(steps["stratum"] == stratum) & (steps["level"] == level)]).empty
    }
    return FromR(
        curves,
        {str(stratum): (float(row["statistic"]), float(row["p"])) for stratum, row in tests.iterrows()},
        median(map(float, (folder / "seconds").read_text().split())),
        (folder / "version").read_text().strip(),
    )
