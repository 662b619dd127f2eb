"""The score curve, without a database: what is drawn, what is said, and what is never drawn."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.charts.scores import (
    LABEL_GAP_PX,
    LETTER_PX,
    NARROW_PX,
    WIDE_PX,
    Intervention,
    Mark,
    ScoreAnswer,
    ScoreCurve,
    score_figure,
    title,
)
from registry.scoring import INSTRUMENTS

LYSHOLM = INSTRUMENTS["lysholm"]
SCALE = LYSHOLM.scales[0]
OPERATED_ON = date(2024, 3, 1)
OPERATION = Mark(OPERATED_ON, Intervention.OPERATION)


def answer(days, value, items=8, reoperated="Not asked"):
    return ScoreAnswer(OPERATED_ON + timedelta(days=days), value, items, "1985", reoperated)


def curve(*answers, marks=(OPERATION,)):
    """A curve from pairs of day and value, or whole answers."""
    return ScoreCurve(
        LYSHOLM, SCALE, [each if isinstance(each, ScoreAnswer) else answer(*each) for each in answers], marks
    )


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
    figure = score_figure(curve((-10, 52), (183, None, 5), (365, 88)))
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
    figure = score_figure(curve((-10, 52), (365, None, 3)))
    assert {trace["marker"]["color"] for trace in figure.plot["data"]} == {"var:series-1"}
    assert "#" not in str(figure.plot)


# --- table and notes ----------------------------------------------------------------------------


def test_the_table_has_every_answer():
    figure = score_figure(
        curve(
            answer(365, 88.0, reoperated="No"), answer(-10, 52.0), answer(183, None, 5, "Asked, not answered")
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
