"""The score curve, without a database: what is drawn, what is said, and what is never drawn."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.charts.flags import LABEL_GAP_PX, LETTER_PX
from outcomes.charts.score_answers import Intervention, Mark, ScoreAnswer, ScoreCurve
from outcomes.charts.score_curve import score_figure, title
from outcomes.charts.score_panels import NARROW_PX, WIDE_PX
from registry.scoring import INSTRUMENTS, ScaleScore

LYSHOLM, KOOS, IKDC = INSTRUMENTS["lysholm"], INSTRUMENTS["koos"], INSTRUMENTS["ikdc"]
[SCALE] = LYSHOLM.scales
OPERATED_ON = date(2024, 3, 1)
OPERATION = Mark(OPERATED_ON, Intervention.OPERATION)


def answer(days, *values, items=8, reoperated="Not asked", instrument=LYSHOLM):
    scores = {
        scale.code: ScaleScore(scale, value, items)
        for scale, value in zip(instrument.scales, values, strict=True)
    }
    return ScoreAnswer(OPERATED_ON + timedelta(days=days), scores, items, instrument.version, reoperated)


def curve(*answers, marks=(OPERATION,), instrument=LYSHOLM):
    """A curve from pairs of day and value, or whole answers."""
    made = [
        each if isinstance(each, ScoreAnswer) else answer(*each, instrument=instrument) for each in answers
    ]
    return ScoreCurve(instrument, made, marks)


def later(days, what):
    return Mark(OPERATED_ON + timedelta(days=days), what)


# --- the sentence -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("answers", "sentence"),
    [
        ([(-10, 52), (365, 88)], "Lysholm rose from 52 before operation to 88 at 12 months"),
        ([(365, 88), (-10, 52)], "Lysholm rose from 52 before operation to 88 at 12 months"),
        ([(183, 90), (731, 71)], "Lysholm fell from 90 at 6 months to 71 at 24 months"),
        ([(0, 70), (365, 70)], "Lysholm was 70 on the day of operation and again at 12 months"),
        ([(-10, 52)], "Lysholm was 52 before operation"),
        ([(30, 61)], "Lysholm was 61 at 1 month"),
        ([(10, 40)], "Lysholm was 40 at 10 days"),
        ([(365, None)], "Lysholm was answered once and could not be scored"),
        ([(90, None), (365, None)], "Lysholm was answered 2 times and could not be scored"),
        ([(90, 60), (365, None)], "Lysholm was 60 at 3 months"),
        ([(-10, 0), (365, 50)], "Lysholm rose from 0 before operation to 50 at 12 months"),
        (
            [(-10, 52), (90, 40), (365, 88)],
            "Lysholm rose from 52 before operation to 88 at 12 months, with 40 at 3 months in between",
        ),
        (
            [(90, 60), (183, 95), (365, 60)],
            "Lysholm was 60 at 3 months and again at 12 months, with 95 at 6 months in between",
        ),
        ([(-10, 52), (90, 60), (365, 88)], "Lysholm rose from 52 before operation to 88 at 12 months"),
    ],
)
def test_title(answers, sentence):
    assert title(curve(*answers)) == sentence


def test_scores_that_would_read_alike_go_by_date():
    assert title(curve((-90, 60), (-10, 52))) == "Lysholm fell from 60 on 2 Dec 2023 to 52 on 20 Feb 2024"


def test_a_change_too_small_to_be_written_is_none():
    assert title(curve((90, 60.01), (365, 60.04))) == "Lysholm was 60 at 3 months and again at 12 months"


# --- the drawing --------------------------------------------------------------------------------


def test_points_are_joined_in_order_over_months_since_the_operation():
    line, *others = score_figure(curve((365, 88), (-61, 52), (183, 71.5))).plot["data"]
    assert others == []
    assert line["mode"] == "lines+markers"
    assert line["line"]["shape"] == "linear"
    assert line["x"] == [-2.0, 6.01, 11.99]
    assert line["y"] == [52, 71.5, 88]


def test_what_cannot_be_scored_is_an_open_mark_under_the_scale_and_never_a_value():
    figure = score_figure(curve((-10, 52), answer(183, None, items=5), (365, 88)))
    line, open_marks = figure.plot["data"]
    axis = figure.plot["layout"]["yaxis"]
    assert line["y"] == [52, 88]
    assert open_marks["marker"]["symbol"] == "circle-open"
    assert open_marks["x"] == [6.01]
    assert axis["range"][0] < open_marks["y"][0] < SCALE.lowest
    assert dict(zip(axis["tickvals"], axis["ticktext"], strict=True))[open_marks["y"][0]] == "not<br>scorable"


def test_a_score_of_0_is_a_value():
    figure = score_figure(curve((183, 0)))
    assert [trace["y"] for trace in figure.plot["data"]] == [[0]]


@pytest.mark.parametrize("values", [[50, 52], [None], [0, 100]])
def test_the_whole_scale_is_drawn(values):
    axis = score_figure(curve(*((90 * n, value) for n, value in enumerate(values)))).plot["layout"]["yaxis"]
    assert axis["range"][0] < SCALE.lowest < SCALE.highest < axis["range"][1]
    assert {SCALE.lowest, SCALE.highest} <= set(axis["tickvals"])


@given(st.sets(st.integers(-400, 5000), min_size=1, max_size=12))
def test_every_point_lies_on_the_axis_and_0_is_a_tick(days):
    layout = score_figure(curve(*((day, 50) for day in days))).plot["layout"]
    narrow = score_figure(curve(*((day, 50) for day in days))).plot["layout_narrow"]
    start, end = layout["xaxis"]["range"]
    assert start < min(days) / 30.4375
    assert max(days) / 30.4375 < end
    assert 2 <= len(layout["xaxis"]["tickvals"]) <= 9
    assert 0 in set(narrow["xaxis"]["tickvals"]) <= set(layout["xaxis"]["tickvals"])


def test_interventions_are_lines_of_their_own_style_with_their_names():
    marks = [
        OPERATION,
        later(200, Intervention.SECOND_LOOK),
        later(700, Intervention.REOPERATION),
    ]
    layout = score_figure(curve((365, 88), marks=marks)).plot["layout"]
    drawn = {
        label["text"]: (line["x0"], line["line"]["dash"])
        for label, line in zip(layout["annotations"], layout["shapes"], strict=True)
    }
    assert drawn == {
        "operation": (0.0, "solid"),
        "second look": (6.57, "dot"),
        "reoperation": (23.0, "dash"),
    }


@given(
    st.lists(st.tuples(st.integers(0, 4000), st.sampled_from(list(Intervention))), max_size=8),
    st.sampled_from([("layout", WIDE_PX), ("layout_narrow", NARROW_PX)]),
)
def test_labels_never_overlap(events, shown):
    name, width_px = shown
    plot = score_figure(curve((365, 88), marks=[OPERATION, *(later(*event) for event in events)])).plot
    start, end = plot["layout"]["xaxis"]["range"]
    boxes = []
    for label in plot[name]["annotations"]:
        place = (label["x"] - start) / (end - start) * width_px
        length = LETTER_PX * len(label["text"]) + LABEL_GAP_PX
        left = place - length if label["xanchor"] == "right" else place
        boxes.append((label["y"], left, left + length))
        assert left + length <= width_px
    for n, (row, left, right) in enumerate(boxes):
        assert all(row != other or right <= begin or finish <= left for other, begin, finish in boxes[:n])


def test_colours_are_names_that_the_page_resolves():
    figure = score_figure(curve((-10, 52), (365, None)))
    assert {trace["marker"]["color"] for trace in figure.plot["data"]} == {"var:series-1"}
    assert "#" not in str(figure.plot)


# --- table and notes ----------------------------------------------------------------------------


def test_the_table_has_every_answer():
    figure = score_figure(
        curve(
            answer(365, 88.0, reoperated="No"),
            answer(-10, 52.0),
            answer(183, None, items=5, reoperated="Asked, not answered"),
        )
    )
    assert figure.table.rows == (
        ("20 Feb 2024", "-0.3", "52", "8 of 8", "Not asked"),
        ("31 Aug 2024", "6.0", "not scorable (5 of 8)", "5 of 8", "Asked, not answered"),
        ("1 Mar 2025", "12.0", "88", "8 of 8", "No"),
    )
    assert ("Answers", "3, of which not scorable 1") in figure.facts


def test_the_day_before_the_operation_is_no_negative_zero():
    assert score_figure(curve((-1, 52))).table.rows[0][1] == "0.0"


def test_the_lines_are_told_in_words_once_each():
    marks = [later(400, Intervention.REOPERATION), OPERATION, OPERATION]
    assert dict(score_figure(curve((365, 88), marks=marks)).facts)["Vertical lines"] == (
        "operation on 1 Mar 2024; reoperation on 5 Apr 2025"
    )


def test_months_count_from_the_first_of_two_operations():
    marks = [later(365, Intervention.OPERATION), OPERATION]
    assert title(curve((731, 80), marks=marks)) == "Lysholm was 80 at 24 months"


def test_without_an_operation_there_is_a_table_and_no_drawing():
    figure = score_figure(curve((-10, 52), (365, 88), marks=()))
    assert figure.plot == {}
    assert figure.title == "Lysholm rose from 52 on 20 Feb 2024 to 88 on 1 Mar 2025"
    assert [row[1] for row in figure.table.rows] == ["-", "-"]
    assert "no operation is on record" in dict(figure.facts)["Vertical lines"]


# --- several scales -----------------------------------------------------------------------------

# Pain, symptoms, daily living, sport, quality of life, KOOS4.
FIRST, LAST = (50, 60, 70, 40, 30, 45), (80, 75, 70, None, 20, None)
SIX = curve((-10, *FIRST), (365, *LAST), instrument=KOOS)


def test_one_figure_tells_how_many_scales_went_which_way():
    assert title(SIX) == (
        "KOOS: 2 scales rose, 1 scale fell, 1 scale stayed; "
        "answered first before operation, last at 12 months"
    )
    words = dict(score_figure(SIX).facts)["In words"]
    assert words.startswith("Pain rose from 50 before operation to 80 at 12 months; Symptoms rose from 60")
    assert "Sport and recreation was 40 before operation" in words
    assert title(curve((365, *LAST), instrument=KOOS)) == (
        "KOOS was answered at 12 months: 4 of 6 scales could be scored"
    )


def test_a_panel_a_scale_each_with_its_own_whole_scale():
    plot = score_figure(SIX).plot
    by_axis = {trace["yaxis"]: trace for trace in plot["data"] if trace["mode"] == "lines+markers"}
    assert list(by_axis) == ["y", "y2", "y3", "y4", "y5", "y6"]
    assert [trace["name"] for trace in by_axis.values()] == [scale.name for scale in KOOS.scales]
    assert by_axis["y"]["y"] == [50, 80]
    assert by_axis["y4"]["y"] == [40]
    for name in ("yaxis", "yaxis2", "yaxis3", "yaxis4", "yaxis5", "yaxis6"):
        low, high = plot["layout"][name]["range"]
        assert low < 0 < 100 < high


@pytest.mark.parametrize(("shown", "columns"), [("layout", 2), ("layout_narrow", 1)])
def test_panels_lie_clear_of_each_other(shown, columns):
    layout = score_figure(SIX).plot[shown]
    assert len([name for name in ("xaxis", "xaxis2") if layout[name]["visible"]]) == columns
    across = [layout[name]["domain"] for name in ("xaxis", "xaxis2")[:columns]]
    boxes = [
        (*across[panel % columns], *layout[f"yaxis{panel + 1 if panel else ''}"]["domain"])
        for panel in range(6)
    ]
    for n, (left, right, bottom, top) in enumerate(boxes):
        assert 0 <= left < right <= 1
        assert 0 <= bottom < top <= 1
        for other_left, other_right, other_bottom, other_top in boxes[:n]:
            assert right < other_left or other_right < left or top < other_bottom or other_top < bottom


def test_six_panels_are_no_taller_than_two_figures_were():
    assert score_figure(SIX).plot["layout"]["height"] < 2 * 400


def test_the_table_has_a_column_a_scale_and_says_what_could_not_be_scored():
    figure = score_figure(SIX)
    last = dict(zip(figure.table.columns, figure.table.rows[1], strict=True))
    assert (last["Pain"], last["Sport and recreation"]) == ("80", "not scorable (8 of 5)")
    assert dict(figure.facts)["Answers"] == "2, of which not scorable: Sport and recreation 1, KOOS4 1"


def test_a_profile_has_its_column():
    form = INSTRUMENTS["eq5d5l"]
    given = answer(365, 80, instrument=form)
    table = score_figure(curve(replace(given, profile="21143"), instrument=form)).table
    assert dict(zip(table.columns, table.rows[0], strict=True))["Profile"] == "21143"


# --- thresholds ---------------------------------------------------------------------------------


def lines_of(plot, kind):
    return [
        shape for shape in plot["layout"]["shapes"] if shape["type"] == kind and "domain" in shape["xref"]
    ]


def words_of(plot):
    return [label["text"] for label in plot["layout"]["annotations"]]


def test_the_acceptable_state_is_a_line_with_its_label_in_each_panel_that_has_one():
    plot = score_figure(SIX).plot
    assert {shape["yref"]: shape["y0"] for shape in lines_of(plot, "line")} == {
        "y": 80.6,
        "y2": 75,
        "y3": 92.7,
        "y4": 80,
        "y5": 56.3,
    }
    assert {shape["line"]["dash"] for shape in lines_of(plot, "line")} == {"dashdot"}
    assert "PASS > 80.6" in words_of(plot)
    assert any("3479-3486" in text and "greater than 80.6" in text for _, text in score_figure(SIX).facts)


@pytest.mark.parametrize(("first", "band"), [(50, (35.4, 64.6)), (95, (80.4, 100)), (3, (0, 17.6))])
def test_the_band_is_the_measurement_error_round_the_first_score(first, band):
    plot = score_figure(curve((365, 88), (-10, first), instrument=IKDC)).plot
    [drawn] = lines_of(plot, "rect")
    assert (drawn["y0"], drawn["y1"]) == pytest.approx(band)
    assert "error ± 14.6" in words_of(plot)


def test_a_range_over_the_scales_makes_no_band_and_is_told():
    figure = score_figure(SIX)
    assert lines_of(figure.plot, "rect") == []
    assert dict(figure.facts)["Error in one person (SDC)"].startswith("19.4 to 35, over the scales")


def test_a_change_that_matters_to_groups_is_not_called_real_for_one():
    for drawn in (SIX, curve((365, 88), instrument=IKDC)):
        assert any("do not call it real for one patient" in said for said in score_figure(drawn).cautions)


def test_thresholds_of_other_people_are_not_drawn():
    figure = score_figure(curve((-10, 52), (365, 88)))
    assert lines_of(figure.plot, "line") == lines_of(figure.plot, "rect") == []
    assert ("Thresholds", "none published for meniscal repair") in figure.facts
    assert figure.cautions == ()
