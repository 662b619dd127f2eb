"""The cluster-robust Cox interval covers the truth as often as it says, where the marginal truth is known.

Pairs of repairs share a gamma frailty. With a frailty the marginal hazards of two arms are proportional only
when the arms do not differ, so there the true ratio is 1; without one it is whatever was put in.
"""

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from outcomes.estimators.regression import cox
from tests.servers import SAID_AT_THE_END

RUNS, PATIENTS = 2_000, 100
CENSORED_AT_RATE = 0.5
# Variance of the frailty, and the hazard ratio of the patient's arm.
CASES = [(0.0, 2.0), (1.0, 1.0), (2.0, 1.0)]


@pytest.mark.slow
def test_robust_interval_covers_as_it_says(record_property: Callable[[str, str], None]) -> None:
    lines = ["frailty   ratio   interval holds   naive holds"]
    held = []
    for frailty, ratio in CASES:
        robust, naive = np.mean([_holds(seed, frailty, ratio) for seed in range(RUNS)], axis=0)
        lines.append(f"{frailty:>7} {ratio:>7} {robust:>16.2%} {naive:>13.2%}")
        held.append(robust)
    record_property(SAID_AT_THE_END, "\n".join([f"{PATIENTS} pairs, {RUNS:,} runs a line:", *lines]))
    assert all(0.93 <= share <= 0.97 for share in held), lines


def _holds(seed: int, frailty: float, ratio: float) -> tuple[bool, bool]:
    """Whether the robust and the naive interval of one simulated trial hold the true ratio."""
    fit = cox(
        _trial(seed, frailty, ratio), duration="time", event="failed", covariates=["arm"], cluster="patient"
    )
    arm = fit.coefficients[0]
    assert arm.robust_std_error is not None
    off = abs(arm.coef - np.log(ratio)) / 1.959963984540054
    return off <= arm.robust_std_error, off <= arm.std_error


def _trial(seed: int, frailty: float, ratio: float) -> pd.DataFrame:
    dice = np.random.default_rng([seed, int(10 * frailty)])
    arm = np.arange(PATIENTS) % 2
    shared = dice.gamma(1 / frailty, frailty, PATIENTS) if frailty else np.ones(PATIENTS)
    rate = np.repeat(shared * ratio**arm, 2)
    fails, leaves = dice.exponential(1 / rate), dice.exponential(1 / CENSORED_AT_RATE, 2 * PATIENTS)
    return pd.DataFrame(
        {
            "time": np.minimum(fails, leaves),
            "failed": (fails <= leaves).astype(int),
            "arm": np.repeat(arm, 2),
            "patient": np.repeat(np.arange(PATIENTS), 2),
        }
    )
