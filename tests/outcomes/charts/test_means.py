"""The drawing of mean time without failure: points up to the horizon, differences, careful words."""

import json
import re

import pytest

from outcomes.analyses.means import means_result
from outcomes.charts.means import CSV_COLUMNS, in_words, means_figure, means_rows
from outcomes.strata import ZONE
from tests.outcomes.analyses.counting import of_rows

# Thirty in each: all but one stand; half fail early; a third fail.
GOOD = [(30, "failed"), *[(761, "censored")] * 29]
POOR = [*[(30, "failed")] * 15, *[(800, "censored")] * 16]
LIKE = [*[(30, "failed")] * 2, *[(800, "censored")] * 27]


def result_of(**levels):
    rows = [row for level in levels.values() for row in level]
    counted, context = of_rows(*rows, zone=[code for code, level in levels.items() for _ in level])
    return means_result(counted, ZONE, context)


def test_points_stand_between_zero_and_the_horizon_with_differences_beside():
    figure = means_figure(result_of(RR=GOOD, RW=POOR), "figure.csv")
    means, differences = figure.plot["data"]
    # By hand: 29/30 of 731 days and 30 for all; months of 365.25 / 12 days.
    assert means["x"][0] == pytest.approx((30 + 29 / 30 * 731) / 30.4375, abs=0.005)
    assert means["y"] == [0, -1]
    assert (differences["xaxis"], differences["y"]) == ("x2", [0])
    assert differences["meta"] == {"narrow": False}
    layout = figure.plot["layout"]
    assert layout["yaxis"]["ticktext"] == ["Red-red", "Red-white"]
    low, high = layout["xaxis"]["range"]
    assert low == 0 < 761 / 30.4375 < high
    low, high = layout["xaxis2"]["range"]
    assert low == -high
    assert [note["text"] for note in layout["annotations"]] == ["tau 25.0", "no difference"]
    assert figure.plot["layout_narrow"]["xaxis2"] == {"visible": False}
    assert (figure.name, figure.csv_url) == ("means-by-zone", "figure.csv")


def test_the_table_has_mean_error_and_difference_with_their_units():
    figure = means_figure(result_of(RR=GOOD, RW=POOR, WW=GOOD[:4], unknown=GOOD))
    table = figure.table
    assert table.columns == (
        "Vascular zone", "Repairs", "Failures", "Mean months without failure", "Standard error (months)",
        "Longer than Red-white (months)", "P",
    )  # fmt: skip
    good, poor, few = table.rows
    assert good[:3] == ("Red-red", "30", "1")
    assert re.fullmatch(r"24\.2 \(\d\d\.\d to \d\d\.\d\)", good[3])
    assert re.fullmatch(r"\d\.\d", good[4])
    assert re.fullmatch(r"\d+\.\d \(\d+\.\d to \d+\.\d\)", good[5])
    assert good[6] == "P < 0.001"
    assert poor[5:] == ("reference", "-")
    assert few == ("White-white", "4", "1", "too few", "-", "-", "-")
    assert "counting each repair up to 25.0 months." in table.caption
    facts = dict(figure.facts)
    assert facts["Horizon"].startswith("tau = 25.0 months (761 days), the smallest of the levels' last times")
    assert facts["Note"] == "Not recorded (n = 30) is left out."


def test_a_difference_is_given_a_direction_only_beyond_chance():
    apart = in_words(result_of(RR=GOOD, RW=POOR))
    assert re.search(
        r"Red-red stands \d+\.\d months longer than Red-white, by more than chance alone usually\b", apart
    )
    turned = in_words(result_of(RR=[*POOR[:15], *POOR[15:29]], RW=GOOD))
    assert re.search(r"Red-red stands \d+\.\d months shorter than Red-white, by more than chance", turned)
    alike = in_words(result_of(RR=GOOD, RW=LIKE))
    assert re.search(
        r"Red-white and Red-red differ by \d\.\d months, which chance alone may explain\.", alike
    )


def test_a_patient_alone_gives_a_mean_without_interval():
    rows = [(30, "failed"), *[(800, "censored")] * 5]
    counted, context = of_rows(*rows, *GOOD, zone=["RR"] * 6 + ["RW"] * 30, patient=[17] * 6 + [None] * 30)
    figure = means_figure(means_result(counted, ZONE, context))
    assert figure.table.rows[0][3:] == ("21.0", "-", figure.table.rows[0][5], "-")
    assert "(" not in figure.table.rows[0][5]
    assert figure.plot["data"][0]["error_x"]["array"][0] == 0
    assert "Red-red and Red-white: no interval for their difference." in dict(figure.facts)["In words"]


@pytest.mark.parametrize("rows", [[], GOOD[:4]])
def test_of_fewer_than_five_nothing_is_drawn(rows):
    figure = means_figure(result_of(RR=rows))
    assert figure.plot == {}
    facts = dict(figure.facts)
    assert facts["In words"] == "Too few repairs to estimate a mean."
    assert facts["Horizon"] == "none: no level has enough repairs that were followed"


def test_one_level_alone_has_no_differences():
    plot = means_figure(result_of(RR=GOOD)).plot
    assert len(plot["data"]) == 1
    assert "xaxis2" not in plot["layout"]


def test_rows_of_the_file_are_the_estimates_in_days():
    result = result_of(RR=GOOD, RW=POOR, WW=GOOD[:4])
    rows = [dict(zip(CSV_COLUMNS, row, strict=True)) for row in means_rows(result)]
    assert rows[0]["mean_days"] == result.levels[0].mean.estimate
    assert rows[0]["difference_lower_95"] == result.levels[0].difference.lower
    assert (rows[1]["tau_days"], rows[1]["p"]) == (761, None)
    assert (rows[2]["repairs"], rows[2]["mean_days"], rows[2]["tau_days"]) == (4, None, None)


def test_the_drawing_is_plain_json_with_named_colours_only():
    text = json.dumps(means_figure(result_of(RR=GOOD, RW=POOR)).plot)
    assert "<" not in text.replace("<extra></extra>", "")
    assert not re.search(r"#[0-9a-f]{3,8}\b|rgb", text)
