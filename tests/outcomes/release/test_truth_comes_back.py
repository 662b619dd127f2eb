"""The honest test of the whole way: the truth the demo was drawn from comes back out of the released table.

Ten scenarios are loaded into the database and released. From each package's repairs.csv alone, a Cox
regression (lifelines), stratified by surgeon, on primary repairs entered in time, is held against
fixtures/demo/truth.json. The seeds were fixed before any was tried. The random numbers are balanced
(truth.json says how), so the intervals cover more often than 95 times in 100.
"""

import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from django.db import transaction
from lifelines import CoxPHFitter

from outcomes.naming import name_cohort
from outcomes.release.making import make_package
from registry.access import Action, units_for
from registry.demo.cast import Cast
from registry.demo.load import load
from registry.demo.scenario import DEFAULT_PATIENTS, generate
from registry.demo.truth import Truth
from registry.models import User
from tests.outcomes.release.asking import asked
from tests.servers import SAID_AT_THE_END

SEEDS = range(1, 11)
COVERED_AT_LEAST = 9
UNTIL = date(2026, 6, 1)
# Column of the release, and the factor of truth.json that it shows.
FACTORS = {"zone": "vascular_zone", "acuity": "acuity", "ligament": "ligament_surgery"}


@pytest.mark.slow
@pytest.mark.django_db
def test_truth_lies_in_the_intervals(
    record_property: Callable[[str, str], None], settings: Any, tmp_path: Path
) -> None:
    settings.RELEASES_DIR = tmp_path
    truth = Truth.read()
    fits = pd.concat(_fit(_released(seed, truth), truth) for seed in SEEDS)
    table = fits.groupby("coefficient", sort=False).agg(
        true_ratio=("true_ratio", "first"),
        mean_ratio=("ratio", "mean"),
        lowest=("ratio", "min"),
        highest=("ratio", "max"),
        fits=("covered", "size"),
        covered=("covered", "sum"),
    )
    record_property(SAID_AT_THE_END, table.round(2).to_string())
    assert (table.fits == len(SEEDS)).all()
    assert (table.covered >= COVERED_AT_LEAST).all(), table.to_string()


def _released(seed: int, truth: Truth) -> pd.DataFrame:
    """The repairs.csv of one scenario's package; the database is left as it was."""
    with transaction.atomic():
        load(generate(DEFAULT_PATIENTS, seed, UNTIL, truth), Cast.read(), UNTIL, lambda username: "elder-93")
        coordinator = User.objects.get(username="coordinator")
        units = units_for(coordinator, Action.RELEASE)
        name_cohort(coordinator, "every repair", {"which": "all"})
        path, _ = make_package(asked(*units, attributes=("surgeon", "ligament")), coordinator)
        with zipfile.ZipFile(path) as archive, archive.open("repairs.csv") as table:
            released = pd.read_csv(table)
        transaction.set_rollback(True)
    return released


def _fit(released: pd.DataFrame, truth: Truth) -> pd.DataFrame:
    """Each coefficient with its truth, its estimate and whether its interval holds the truth."""
    rows = released.query("revision == 0 and at_risk_from == 0 and zone != 'unknown' and acuity != 'unknown'")
    true_ratios = {
        level: (column, ratio)
        for column, factor in FACTORS.items()
        for level, ratio in list(getattr(truth.failure.hazard_ratio, factor).items())[1:]
    }
    frame = rows[["days", "failed", "surgeon"]].copy()
    for level, (column, _) in true_ratios.items():
        frame[level] = rows[column].eq(level).astype(int)
    frame["augmented"] = rows["augmentation"].ne("none").astype(int)
    fitted = CoxPHFitter().fit(frame, "days", "failed", strata=["surgeon"]).summary
    true_ratio = [true_ratios[name][1] if name in true_ratios else 1.0 for name in fitted.index]
    lower, upper = fitted["exp(coef) lower 95%"], fitted["exp(coef) upper 95%"]
    return pd.DataFrame(
        {
            "coefficient": fitted.index,
            "true_ratio": true_ratio,
            "ratio": fitted["exp(coef)"].to_numpy(),
            "covered": lower.le(true_ratio) & upper.ge(true_ratio),
        }
    )
