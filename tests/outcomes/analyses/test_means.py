"""Restricted means of the levels of a stratum: the horizon, and numbers by hand and by lifelines."""

from math import sqrt

import numpy as np
import pytest
from lifelines import KaplanMeierFitter
from lifelines.utils import restricted_mean_survival_time

from outcomes.analyses.means import ENDED_OTHERWISE, means_result
from outcomes.strata import ACUITY, ZONE
from tests import factories
from tests.outcomes.analyses.counting import of_rows, of_the_record

RED_RED = [(200, "failed"), (400, "failed"), (500, "censored"), (600, "censored"), (800, "censored")]
RED_WHITE = [(50, "failed"), (100, "failed"), *[(700, "censored")] * 5]
EARLY = [(10, "failed"), (20, "failed"), (30, "failed"), (40, "failed"), *[(700, "censored")] * 3]


def split(**levels):
    """A result of levels of zone, each with its rows."""
    rows = [row for level in levels.values() for row in level]
    zones = [code for code, level in levels.items() for _ in level]
    counted, context = of_rows(*rows, zone=zones)
    return means_result(counted, ZONE, context)


def test_means_from_the_record_are_areas_to_the_smallest_last_time(cast):
    """The cast's own repair, red-red and heard of on day 500, makes the fifth of them."""
    factories.a_contact(cast.repair, 500)
    for zone, rows in (("RR", [row for row in RED_RED if row[0] != 500]), ("RW", RED_WHITE)):
        for day, outcome in rows:
            repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak), vascular_zone=zone)
            (factories.a_failure if outcome == "failed" else factories.a_contact)(repair, day)
    counted, context = of_the_record()
    result = means_result(counted, ZONE, context)
    red_red, red_white = result.levels
    assert (result.tau, result.reference, result.reference_label) == (700, "RW", "Red-white")
    # By hand: red-red stands whole for 200 days, 4/5 for 200 more and 3/5 from then to 700; red-white 50 days
    # whole, 50 days 6/7, 600 days 5/7. Greenwood's sum of (area still to come)^2 d / (n (n - d)).
    assert red_red.mean.estimate == pytest.approx(200 + 0.8 * 200 + 0.6 * 300, rel=1e-12)
    assert red_white.mean.estimate == pytest.approx(50 + 50 * 6 / 7 + 600 * 5 / 7, rel=1e-12)
    red_red_error = sqrt(340**2 / (5 * 4) + 180**2 / (4 * 3))
    red_white_error = sqrt((300 / 7 + 3000 / 7) ** 2 / (7 * 6) + (3000 / 7) ** 2 / (6 * 5))
    assert red_red.mean.std_error == pytest.approx(red_red_error, rel=1e-12)
    assert red_white.mean.std_error == pytest.approx(red_white_error, rel=1e-12)
    difference = red_red.difference
    assert difference.estimate == pytest.approx(red_red.mean.estimate - red_white.mean.estimate, rel=1e-12)
    assert difference.std_error == pytest.approx(sqrt(red_red_error**2 + red_white_error**2), rel=1e-12)
    assert red_white.difference is None
    for level, rows in ((red_red, RED_RED), (red_white, RED_WHITE)):
        with np.errstate(all="ignore"):
            fitted = KaplanMeierFitter().fit(
                [day for day, _ in rows], [outcome == "failed" for _, outcome in rows]
            )
            assert level.mean.estimate == pytest.approx(restricted_mean_survival_time(fitted, 700), rel=1e-9)


def test_levels_of_few_and_of_nobody_followed_are_told_by_counts():
    result = split(RR=RED_RED, RW=RED_WHITE[:4], WW=[(0, "censored")] * 6)
    red_red, red_white, white = result.levels
    assert result.tau == 800
    assert red_red.mean is not None
    assert (red_white.n, red_white.events, red_white.mean, red_white.difference) == (4, 2, None, None)
    assert (white.n, white.mean) == (6, None)
    assert "Red-white: fewer than 5 repairs, so counts only." in result.cautions
    assert "White-white: not followed beyond the day of operation yet." in result.cautions


@pytest.mark.parametrize("rows", [[], RED_RED[:4]])
def test_too_few_in_all_have_no_horizon_and_no_reference(rows):
    result = split(RR=rows)
    assert (result.tau, result.reference, result.reference_label) == (None, None, "")
    assert "Fewer than 5 repairs: counts only." in result.cautions


def test_what_is_not_recorded_is_left_out_and_sets_no_horizon():
    result = split(RR=RED_RED, unknown=[(10, "censored")] * 5)
    assert [level.code for level in result.levels] == ["RR"]
    assert result.tau == 800
    assert "Not recorded (n = 5) is left out." in result.notes


def test_cautions_tell_what_the_differences_do_not_allow_for():
    rows = [*RED_RED, *RED_WHITE, *EARLY, (300, "died")]
    zones = ["RR"] * 5 + ["RW"] * 7 + ["WW"] * 8
    patients = [None] * len(rows)
    patients[0] = patients[5] = 17
    counted, context = of_rows(*rows, zone=zones, patient=patients)
    result = means_result(counted, ZONE, context)
    assert result.reference == "WW"
    for said in (
        "Each level is set against White-white by itself; intervals and P values are not corrected for their "
        "number.",
        "1 patient has repairs in more than one level; the differences take the levels as independent.",
        ENDED_OTHERWISE,
        "Red-red, at the horizon: Only 1 remain at risk (fewer than 10).",
        ZONE.caution,
    ):
        assert said in result.cautions
    assert any("patient as cluster" in method for method in result.methods)
    assert any("Ying Z, Wei LJ" in reference for reference in result.references)


def test_the_note_of_a_stratum_goes_with_it(cast):
    counted, context = of_the_record([ACUITY])
    assert ACUITY.note in means_result(counted, ACUITY, context).notes
