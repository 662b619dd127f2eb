"""The honest test of the whole way: the truth the demo was drawn from comes back out of the released table.

Ten scenarios are loaded into the database and released. From each package's repairs.csv alone, a Cox
regression (lifelines), stratified by surgeon, on primary repairs entered in time, is held against
fixtures/demo/truth.json. The seeds were fixed before any was tried. The random numbers are balanced
(truth.json says how), so the intervals cover more often than 95 times in 100.
"""

import io
import zipfile
from collections.abc import Callable
from datetime import date

import pandas as pd
import pytest
from django.db import transaction
from lifelines import CoxPHFitter

from outcomes.cohort import Cohort
from outcomes.failure import REOPERATION
from outcomes.release.making import Request, make_release
from registry.access import Action, units_for
from registry.demo.cast import Cast
from registry.demo.load import load
from registry.demo.scenario import DEFAULT_PATIENTS, generate
from registry.demo.truth import Truth
from registry.models import User
from tests.servers import SAID_AT_THE_END

SEEDS = range(1, 11)
COVERED_AT_LEAST = 9
UNTIL = date(2026, 6, 1)
# Column of the release, and the factor of truth.json that it shows.
FACTORS = {"zone": "vascular_zone", "acuity": "acuity", "ligament": "ligament_surgery"}


@pytest.mark.slow
@pytest.mark.django_db
def test_truth_lies_in_the_intervals(record_property: Callable[[str, str], None]) -> None:
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
        package, _ = make_release(
            Request(coordinator, units, Cohort(which="all"), REOPERATION, "truth", "hold it against", "none")
        )
        transaction.set_rollback(True)
    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        return pd.read_csv(archive.open("repairs.csv"))


def _fit(released: pd.DataFrame, truth: Truth) -> pd.DataFrame:
    """Each coefficient with its truth, its estimate and whether its interval holds the truth."""
    rows = released.query("revision == 0 and entered_late == 0 and zone != 'unknown' and acuity != 'unknown'")
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
