"""How often the 95 % interval at two years holds the truth when each patient has two repairs."""

from collections.abc import Callable

import numpy as np
import pytest

from outcomes.estimators.survival import kaplan_meier
from tests.servers import SAID_AT_THE_END

RUNS = 2000
PATIENTS = 150
TWO_YEARS = 730
# Three in ten fail by two years where all patients are alike; follow-up ends evenly over one to five years.
HAZARD = -np.log(0.7) / TWO_YEARS
FOLLOWED = (365, 1826)
FRAILTIES = (0, 0.5, 1, 2)
HEADER = (
    f"{'frailty':>8}{'truth':>8}{'mean':>8}{'spread':>9}"
    f"{'error':>9}{'naive':>9}{'interval holds':>17}{'naive holds':>14}"
)


def simulated(rng: np.random.Generator, variance: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Days, failures and patients of two repairs each; frailty is gamma with mean 1 and `variance`."""
    frailty = rng.gamma(1 / variance, variance, PATIENTS) if variance else np.ones(PATIENTS)
    failure = rng.exponential(1 / (HAZARD * np.repeat(frailty, 2)))
    end = np.repeat(rng.uniform(*FOLLOWED, PATIENTS), 2)
    return np.ceil(np.minimum(failure, end)), failure <= end, np.repeat(np.arange(PATIENTS), 2)


def surviving(variance: float) -> float:
    """The share standing at two years: the Laplace transform of the gamma frailty at the cumulated hazard."""
    cumulated = HAZARD * TWO_YEARS
    return float((1 + variance * cumulated) ** (-1 / variance) if variance else np.exp(-cumulated))


def coverage(variance: float, seed: int) -> tuple[float, float, str]:
    """Shares of runs whose clustered and naive interval hold the truth, and the line of the table."""
    rng, truth = np.random.default_rng(seed), surviving(variance)
    seen = []
    for _ in range(RUNS):
        time, failed, patient = simulated(rng, variance)
        for cluster in (patient, None):
            curve = kaplan_meier(time, failed, at=(TWO_YEARS,), cluster=cluster)
            point = curve.landmarks[0]
            latest = np.searchsorted(curve.time, TWO_YEARS, side="right") - 1
            seen.append((point.survival, curve.std_error[latest], point.lower <= truth <= point.upper))
    survival, error, holds = np.array(seen, dtype=float).reshape(RUNS, 2, 3).transpose(2, 1, 0)
    covers, naive = holds.mean(axis=1)
    line = (
        f"{variance:>8}{truth:>8.3f}{survival[0].mean():>8.3f}{survival[0].std(ddof=1):>9.4f}"
        f"{error[0].mean():>9.4f}{error[1].mean():>9.4f}{covers:>17.2%}{naive:>14.2%}"
    )
    return covers, naive, line


@pytest.mark.slow
def test_clustered_interval_covers_as_it_says(record_property: Callable[[str, object], None]) -> None:
    found = [coverage(variance, seed) for seed, variance in enumerate(FRAILTIES)]
    said = f"Standing at two years, {PATIENTS} patients with two repairs each, {RUNS:,} runs a line:"
    record_property(SAID_AT_THE_END, "\n".join((said, HEADER, *(line for _, _, line in found))))
    assert all(0.93 <= covers <= 0.97 for covers, _, _ in found)
    # Two repairs as alike as these: who takes them as independent is too sure.
    assert found[-1][1] < 0.93
