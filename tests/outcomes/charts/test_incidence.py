"""The drawing of competing events: what is drawn, said and tabled, and what never is."""

import json
import re
from itertools import pairwise

import pytest

from outcomes.analyses.competing import NOT_ONE_MINUS_SURVIVAL, competing_result
from outcomes.charts.incidence import CSV_COLUMNS, in_words, incidence_figure, incidence_steps
from outcomes.charts.steps import DASHES, SERIES, look
from outcomes.strata import ZONE
from tests.outcomes.analyses.counting import of_rows

FEW = [(100, "failed"), (200, "died"), (300, "failed"), (800, "censored"), (900, "censored")]
MANY = [(10 * day, "failed") for day in range(1, 6)] + [(800, "censored")] * 20 + [(900, "replaced")]


def drawn(plot, mode="lines"):
    return [trace for trace in plot["data"] if trace["mode"] == mode and "name" in trace]


def test_a_line_for_each_cause_that_ended_a_repair_with_one_row_at_risk():
    plot = incidence_figure(competing_result(*of_rows(*FEW))).plot
    assert {trace["name"] for trace in drawn(plot)} == {"Failure", "Death"}
    rows = [trace for trace in plot["data"] if trace["mode"] == "text"]
    assert [trace["text"] for trace in rows] == [["5", "2", "2"], ["4", "2", "0"]]
    assert [trace["meta"]["narrow"] for trace in rows] == [True, False]
    names = [note["text"] for note in plot["layout"]["annotations"]]
    assert names == ["Number at risk", "Death", "Failure"]


def test_lines_begin_at_zero_and_fade_where_few_remain():
    sure, faded = drawn(incidence_figure(competing_result(*of_rows(*MANY))).plot)[:2]
    assert (sure["x"][0], sure["y"][0], sure["opacity"]) == (0.0, 0.0, 1.0)
    assert (sure["x"][-1], sure["y"][-1]) == (faded["x"][0], faded["y"][0])
    assert faded["opacity"] < 1


def test_a_line_has_points_only_where_it_turns_and_at_its_ends():
    early = [(day, "censored") for day in range(50, 90)]
    plot = incidence_figure(competing_result(*of_rows((20, "failed"), *early))).plot
    [sure, faded] = drawn(plot)
    assert sure["y"] == pytest.approx([0, 1 / 41, 1 / 41], rel=1e-12)
    # Days 20 and 80, when ten are left, in months of 365.25 / 12 days.
    assert sure["x"] == [0.0, 0.66, 2.63]
    assert faded["x"] == [2.63, 2.92]


def test_the_axis_starts_at_zero_and_holds_every_sure_limit():
    result = competing_result(*of_rows(*MANY))
    low, high = incidence_figure(result).plot["layout"]["yaxis"]["range"]
    assert low == 0
    assert max(result.courses[0].steps.upper[:5]) < high <= 1


def test_names_at_the_ends_keep_apart():
    rows = [(100, "failed"), (200, "died"), (300, "replaced"), *[(900, "censored")] * 30]
    layout = incidence_figure(competing_result(*of_rows(*rows))).plot["layout"]
    places = [note["y"] for note in layout["annotations"][1:]]
    top = layout["yaxis"]["range"][1]
    assert all(above - below > 0.05 * top for below, above in pairwise(places))


def test_the_table_has_every_cause_with_interval_and_number_at_risk():
    table = incidence_figure(competing_result(*of_rows(*FEW))).table
    assert table.columns == (
        "Ended by", "Repairs", "Ended",
        "By 1 year", "At risk then", "By 2 years", "At risk then", "By 5 years", "At risk then",
    )  # fmt: skip
    failure, death, replacement, another = table.rows
    # By hand: 1 of 5, then 1 of the 3 left of the 3/5 that stand: 1/5 + 3/5 x 1/3.
    assert failure[:3] == ("Failure", "5", "2")
    assert failure[3].startswith("40.0 % (")
    assert failure[4:] == ("2", failure[3], "2", "-", "0")
    assert death[3].startswith("20.0 % (")
    assert replacement[:4] == ("Knee replacement", "5", "0", "0.0 %")
    assert another[0] == "Removal of the meniscus for another tear"


def test_words_say_what_is_seen_and_why_it_is_no_survival():
    figure = incidence_figure(competing_result(*of_rows(*FEW)), "figure.csv")
    facts = dict(figure.facts)
    assert facts["In words"].startswith(
        "2 rising step curves of the share of repairs ended by each cause. By 2 years: Failure 40.0 % ("
    )
    assert facts["In words"].endswith(
        "No repair ended by knee replacement or removal of the meniscus for another tear."
    )
    assert facts["Note"] == NOT_ONE_MINUS_SURVIVAL
    assert (figure.name, figure.csv_url) == ("incidence-by-cause", "figure.csv")
    for needed in ("Cohort", "Repairs", "Median follow-up", "Follow-up complete", "Method", "References"):
        assert facts[needed]
    assert "Comparison" not in facts
    early = in_words(competing_result(*of_rows((0, "failed"), *[(day, "censored") for day in range(5)])))
    assert early.startswith("1 rising step curve of the share of repairs ended by each cause; none reaches 2")


def test_levels_of_failure_are_compared_and_small_ones_not_drawn():
    zones = ["RR"] * len(FEW) + ["RW"] * len(MANY) + ["WW"] * 4
    result = competing_result(*of_rows(*FEW, *MANY, *FEW[:4], zone=zones), ZONE)
    figure = incidence_figure(result)
    assert {trace["name"] for trace in drawn(figure.plot)} == {"Red-red", "Red-white"}
    assert dict(figure.facts)["Comparison"].startswith(
        "Cause-specific log-rank of failure over 3 groups: chi-square"
    )
    few = "too few"
    assert figure.table.rows[2] == ("White-white", "4", "2", few, "1", few, "1", few, "0")
    assert "Fewer than 5 repairs, so counts only: White-white." in figure.cautions
    assert {step[0] for step in incidence_steps(result)} == {"Red-red", "Red-white"}
    looks = {trace["name"]: trace["line"]["color"] for trace in drawn(figure.plot)}
    assert looks == {"Red-red": "var:series-1", "Red-white": "var:series-2"}


def test_of_fewer_than_five_nothing_is_drawn():
    figure = incidence_figure(competing_result(*of_rows(*FEW[:4])))
    assert figure.plot == {}
    assert "%" not in str(figure.table.rows)
    assert dict(figure.facts)["In words"] == "Too few repairs to draw a curve."
    assert list(incidence_steps(competing_result(*of_rows(*FEW[:4])))) == []
    assert incidence_figure(competing_result(*of_rows())).table.rows == ()


def test_every_step_goes_into_the_file_at_full_precision():
    result = competing_result(*of_rows(*FEW))
    steps = list(incidence_steps(result))
    assert all(len(step) == len(CSV_COLUMNS) for step in steps)
    failure = [step for step in steps if step[1] == "failure"]
    assert (
        tuple(step[CSV_COLUMNS.index("incidence")] for step in failure) == result.courses[0].steps.incidence
    )


@pytest.mark.parametrize("stratum", [None, ZONE])
def test_the_drawing_is_plain_json_with_named_colours_only(stratum):
    text = json.dumps(incidence_figure(competing_result(*of_rows(*MANY), stratum)).plot)
    assert "<" not in text.replace("<extra></extra>", "")
    assert not re.search(r"#[0-9a-f]{3,8}\b|rgb", text)


def test_no_two_of_two_dozen_lines_look_alike():
    assert len({look(place) for place in range(24)}) == 24
    assert len(DASHES) < SERIES
