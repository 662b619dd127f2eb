"""Adjusted hazard ratios of repairs on record, with lifelines as a second, and what is refused in words."""

import warnings
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from lifelines import CoxPHFitter

from outcomes.analyses.adjusted import COVARIATES, adjusted_result
from outcomes.analyses.context import Context
from outcomes.charts.forest import forest_figure
from outcomes.failure import REOPERATION
from outcomes.strata import STRATA
from outcomes.survival import Counted, count_repairs
from registry.models import Repair
from tests import factories
from tests.outcomes.analyses.counting import CLOSED_ON, COHORT, of_rows

TWO = ("meniscus", "zone")
ZONES = ("RR", "RW", "WW")


def result_of(repairs, codes):
    counted = count_repairs(repairs, REOPERATION, [STRATA[code] for code in codes], CLOSED_ON)
    return adjusted_result(counted, codes, Context.of(COHORT, REOPERATION, CLOSED_ON, counted))


def ratios(result):
    """Hazard ratios by covariate and level, references left out."""
    return {
        (covariate.code, level.code): level.adjusted
        for covariate in result.covariates
        for level in covariate.levels
        if level.adjusted
    }


@pytest.fixture
def on_record(db):
    """Forty-two repairs, the last six on knees of patients with another, some failed, one entered late.

    Gives the same as plain rows, written down as they are made.
    """
    unit = factories.a_unit("northmere")
    oak = factories.a_surgeon(unit, "oak")
    dice, rows = np.random.default_rng(11), []
    operations = [factories.an_operation(unit, oak) for _ in range(36)]
    for place, operation in enumerate([*operations, *operations[:6]]):
        meniscus, zone = ("lateral" if dice.random() < 0.35 else "medial"), ZONES[place % 3]
        repair = factories.a_repair(operation, meniscus=meniscus, vascular_zone=zone)
        day, failed = int(dice.integers(100, 900)), dice.random() < (0.3 if meniscus == "lateral" else 0.6)
        # Events of a knee are those of both its repairs: a failure is of one, what is known is of both.
        rows.append([operation.knee_id, repair, meniscus, zone, day, failed])
    for knee, repair, _, _, day, failed in rows:
        (factories.a_failure if failed else factories.a_contact)(repair, day + knee % 7)
    late = rows[40][1]
    factories.corrected_in_database(late, recorded_at=late.recorded_at + timedelta(days=95))
    return rows


def plain(rows, late=None):
    """The rows as lifelines takes them: a censored repair is followed to its knee's latest day."""
    latest = {}
    for knee, _, _, _, day, _ in rows:
        latest[knee] = max(latest.get(knee, 0), day + knee % 7)
    return pd.DataFrame(
        {
            "day": [day + knee % 7 if failed else latest[knee] for knee, _, _, _, day, failed in rows],
            "failed": [failed for *_, failed in rows],
            "entry": [95 if repair.pk == late else 0 for _, repair, *_ in rows],
            "lateral": [meniscus == "lateral" for _, _, meniscus, *_ in rows],
            "RW": [zone == "RW" for *_, zone, _, _ in rows],
            "WW": [zone == "WW" for *_, zone, _, _ in rows],
        }
    ).astype(float)


def second(frame, **fit):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with np.errstate(all="ignore"):
            return CoxPHFitter().fit(frame, "day", "failed", **fit)


def test_ratios_equal_those_of_lifelines(on_record):
    result = result_of(Repair.objects.all(), TWO)
    frame = plain(on_record, late=on_record[40][1].pk)
    fitted = second(frame, entry_col="entry")
    assert (result.n, result.events) == (42, int(frame["failed"].sum()))
    found = ratios(result)
    assert set(found) == {("meniscus", "lateral"), ("zone", "RW"), ("zone", "WW")}
    # lifelines 0.30 stops some 2e-5 short of the maximum, see outcomes.estimators.regression.fit.
    for (_, level), ratio in found.items():
        assert ratio.coef == pytest.approx(fitted.params_[level], abs=1e-4)
        assert ratio.std_error == pytest.approx(fitted.standard_errors_[level], rel=1e-3)
        assert ratio.robust_std_error is not None
        assert ratio.lower < ratio.hazard_ratio < ratio.upper
    crude = second(frame[["day", "failed", "entry", "lateral"]], entry_col="entry")
    [meniscus, _] = result.covariates
    assert meniscus.levels[1].crude.coef == pytest.approx(crude.params_["lateral"], abs=1e-4)
    assert any("at risk only from the day of entry" in caution for caution in result.cautions)


def test_reference_levels_and_what_is_not_on_record(on_record):
    for place, (_, repair, *_) in enumerate(on_record[:15]):
        factories.corrected(repair.tear, vascular_zone="WW" if place < 12 else "")
    result = result_of(Repair.objects.all(), TWO)
    assert [covariate.reference for covariate in result.covariates] == ["Medial", "White-white"]
    assert (result.n, result.incomplete) == (39, 3)
    assert "Left out: 3 repairs with a covariate not on record." in result.notes
    figure = forest_figure(result)
    assert "vascular zone: White-white" in dict(figure.facts)["Reference levels"]
    said = {row[0]: row for row in figure.table.rows}
    assert said["Vascular zone: White-white"][3] == "1 (reference)"
    kept = [row for place, row in enumerate(on_record) if not 12 <= place < 15]
    lateral = [row for row in kept if row[2] == "lateral"]
    assert said["Meniscus: Lateral"][1:3] == (f"{len(lateral)}", f"{sum(row[5] for row in lateral)}")
    # Follow-up still comes from the whole knee, so from all rows.
    frame = plain(on_record, late=on_record[40][1].pk)
    frame.loc[:11, ["RW", "WW"]] = [0.0, 1.0]
    fitted = second(frame.drop(index=[12, 13, 14]), entry_col="entry")
    coefficient = ratios(result)["zone", "RW"].coef
    assert coefficient == pytest.approx(fitted.params_["RW"] - fitted.params_["WW"], abs=1e-4)


# --- without a database -----------------------------------------------------------------------


def counted_by(rows, **columns) -> tuple[Counted, Context]:
    return of_rows(*rows, **columns)


def made(*groups):
    """Rows and zones: for each (zone, n, failures), the failures first, on days of their own."""
    rows, zones = [], []
    for zone, n, failures in groups:
        for place in range(n):
            day = 100 + 37 * place + 11 * len(zones)
            rows.append((day, "failed" if place < failures else "censored"))
            zones.append(zone)
    return rows, zones


def of_zones(*groups):
    rows, zones = made(*groups)
    counted, context = counted_by(rows, zone=zones)
    return adjusted_result(counted, ["zone"], context)


def test_too_few_failures_are_refused_in_a_sentence():
    result = of_zones(("RR", 20, 5), ("RW", 10, 2), ("WW", 10, 1))
    assert result.refusal == (
        "No model: 8 failures for 2 ratios are 4.0 each, and 5 are the least. "
        "Try fewer covariates, or a wider cohort."
    )
    assert result.cautions[0] == result.refusal
    figure = forest_figure(result)
    assert figure.plot == {}
    assert dict(figure.facts)["In words"] == result.refusal
    assert [row[1:4] for row in figure.table.rows] == [
        ("20", "5", "1 (reference)"),
        ("10", "2", "-"),
        ("10", "1", "-"),
    ]


def test_five_a_ratio_are_enough_and_few_are_cautioned():
    result = of_zones(("RR", 20, 5), ("RW", 10, 3), ("WW", 10, 2))
    assert result.refusal == ""
    assert any("5.0 events a coefficient (fewer than 10)" in caution for caution in result.cautions)


def test_a_level_without_failure_has_no_ratio_and_leaves_the_others_alone():
    """As its ratio falls to 0 the others become those without it: lifelines with it in, as a second."""
    groups = (("RR", 30, 9), ("RW", 30, 14), ("WW", 12, 0))
    result = of_zones(*groups)
    assert (result.n, result.without_failure) == (60, 12)
    assert (
        "Vascular zone, White-white: none of 12 repairs failed, so it has no ratio and is not in the model."
        in result.notes
    )
    rows, zones = made(*groups)
    frame = pd.DataFrame(rows, columns=["day", "failed"]).assign(
        failed=[outcome == "failed" for _, outcome in rows],
        RR=[zone == "RR" for zone in zones],
        WW=[zone == "WW" for zone in zones],
    )
    fitted = second(frame.astype(float), fit_options={"max_steps": 30})
    [(name, ratio)] = ratios(result).items()
    # Both have 30 repairs; the first of equals is the reference.
    assert name == ("zone", "RW")
    assert ratio.coef == pytest.approx(-fitted.params_["RR"], abs=1e-3)


def test_no_failure_at_all_is_said():
    result = of_zones(("RR", 10, 0), ("RW", 10, 0))
    assert result.refusal.startswith("No model: no covariate has two levels in which repairs failed.")


def test_without_repairs_nothing_breaks():
    result = of_zones()
    assert (result.n, result.covariates[0].levels) == (0, ())
    assert forest_figure(result).plot == {}


def test_of_few_repairs_no_ratio_is_shown():
    result = of_zones(("RR", 40, 12), ("RW", 30, 12), ("WW", 4, 3))
    [covariate] = result.covariates
    assert covariate.levels[2].adjusted is None
    row = forest_figure(result).table.rows[2]
    assert row == ("Vascular zone: White-white", "4", "3", "too few", "-", "too few", "-")


def test_changing_hazards_are_cautioned_in_words():
    """RR fails early, RW late: by how much they differ turns round."""
    rows = [(day, "failed") for day in range(10, 210, 10)] + [(900, "censored")] * 20
    rows += [(day, "failed") for day in range(600, 800, 10)] + [(900, "censored")] * 20
    counted, context = counted_by(rows, zone=["RR"] * 40 + ["RW"] * 40)
    result = adjusted_result(counted, ["zone"], context)
    assert result.all_at_once.p < 0.001
    assert any("The hazard ratio of vascular zone Red-white changes over time" in c for c in result.cautions)
    assert not any("[" in caution for caution in result.cautions)


def test_the_drawing_names_every_level_on_a_log_axis():
    rows, zones = made(("RR", 30, 12), ("RW", 20, 10), ("WW", 20, 12))
    menisci = ["medial", "medial", "medial", "lateral", "lateral"] * 14
    counted, context = counted_by(rows, zone=zones, meniscus=menisci)
    result = adjusted_result(counted, TWO, context)
    plot = forest_figure(result).plot
    points, references = plot["data"]
    axis = plot["layout"]["yaxis"]
    levels = dict(zip(axis["tickvals"], axis["ticktext"], strict=True))
    assert plot["layout"]["xaxis"]["type"] == "log"
    assert [levels[y] for y in points["y"]] == ["Lateral", "Red-white", "White-white"]
    assert [levels[y] for y in references["y"]] == ["Medial", "Red-red"]
    assert references["x"] == [1.0, 1.0]
    assert points["x"] == [ratio.hazard_ratio for ratio in ratios(result).values()]
    headings = {label["text"] for label in plot["layout_narrow"]["annotations"]}
    assert headings == {"Meniscus", "Vascular zone"}


def test_the_usual_covariates_are_strata():
    assert set(COVARIATES) <= set(STRATA)
