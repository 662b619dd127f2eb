"""More curves than one drawing holds: a panel each, the others behind it, its numbers at risk under it."""

import json
from dataclasses import replace
from datetime import date

import pytest

from outcomes.charts.small_multiples import MOST_PANELS, small_multiples
from outcomes.charts.step_curves import drawn
from outcomes.charts.steps import look
from outcomes.charts.survival import MOST_IN_ONE, curves_of, survival_figure
from outcomes.estimators.follow_up import reverse_kaplan_meier
from outcomes.estimators.survival import kaplan_meier
from outcomes.results import Group, SurvivalResult


def group(number, n=12):
    """Of n repairs one fails every other month from month `number` on, half of them in all."""
    days = [30 * (number + 2 * place) + 1 for place in range(n)]
    failed = [place < n // 2 for place in range(n)]
    curve = kaplan_meier(days, failed)
    return Group(f"g{number}", f"Group {number}", curve, reverse_kaplan_meier(days, failed), 1.0, 0)


def result(groups):
    return SurvivalResult(
        title="Any failure: repairs still standing, by tear pattern",
        stratum_code="pattern",
        stratum_title="tear pattern",
        groups=tuple(groups),
        overall=group(0, n=100),
        comparison=None,
        pairs=(),
        trend=None,
        clustered_test=None,
        definition_name="Any failure",
        definition_sentence="A repair fails.",
        cohort_sentence="All repairs.",
        closed_on=date(2026, 1, 1),
        entered_late=0,
        left_out=0,
        methods=("Method.",),
        references=("Reference.",),
        notes=(),
        cautions=(),
    )


def curves(count):
    return [drawn(group(number), look(number)) for number in range(count)]


def test_every_curve_has_a_panel_with_all_others_behind():
    plot = small_multiples(curves(9))
    layout = plot["layout"]
    assert {name for name in layout if name.startswith("yaxis")} == {
        "yaxis",
        *(f"yaxis{n}" for n in range(2, 10)),
    }
    behind = [trace for trace in plot["data"] if trace.get("line", {}).get("color") == "var:ink-soft/0.35"]
    assert len(behind) == 9
    for trace in behind:
        assert trace["x"].count(None) == 8
        assert trace["hoverinfo"] == "skip"
    named = [trace for trace in plot["data"] if trace.get("name") == "Group 3"]
    assert {trace["yaxis"] for trace in named} == {"y4"}


def test_panels_share_axes_from_zero_and_print_who_is_at_risk():
    plot = small_multiples(curves(10))
    for version in ("layout", "layout_narrow"):
        layout = plot[version]
        assert {tuple(layout[name]["range"]) for name in layout if name.startswith("yaxis")} == {(0, 1.02)}
        assert len({tuple(layout[name]["range"]) for name in layout if name.startswith("xaxis")}) == 1
        under = [note for note in layout["annotations"] if note.get("xref") == "x4" and note["x"] == 0]
        assert [note["text"] for note in under] == ["12"]
        later = [note for note in layout["annotations"] if note.get("xref") == "x4" and note["x"] == 24]
        assert [note["text"] for note in later] == [str(group(3).curve.at(24 * 30.4375).at_risk)]


def test_panels_do_not_lie_on_each_other():
    for version, columns in (("layout", 3), ("layout_narrow", 2)):
        layout = small_multiples(curves(12))[version]
        boxes = [
            (*layout[f"xaxis{n}"]["domain"], *layout[f"yaxis{n}"]["domain"]) for n in ["", *range(2, 13)]
        ]
        assert len({box[:2] for box in boxes}) == columns
        assert len(set(boxes)) == 12
        for left, right, bottom, top in boxes:
            assert 0 <= left < right <= 1
            assert 0 <= bottom < top <= 1
            below = [other for other in boxes if other[0] == left and other[3] < bottom]
            assert all(bottom - other[3] > 0.05 for other in below)


def test_names_are_broken_rather_than_cut():
    long = replace(group(1), label="Root avulsion or root radial")
    plot = small_multiples([drawn(long, look(0)), *curves(1)])
    for version, name in (
        ("layout", "Root avulsion or root<br>radial (12)"),
        ("layout_narrow", "Root avulsion<br>or root radial<br>(12)"),
    ):
        assert name in [note["text"] for note in plot[version]["annotations"]]


def test_turned_round_the_curves_rise():
    plot = small_multiples([drawn(group(1), look(0), as_failure=True)], as_failure=True)
    line = next(trace for trace in plot["data"] if trace.get("name") == "Group 1")
    assert line["y"][0] == 0
    assert line["y"] == sorted(line["y"])
    assert plot["layout"]["annotations"][0]["text"].startswith("One less the share standing;")


def test_no_more_than_can_be_told_apart():
    assert small_multiples([]) == {}
    with pytest.raises(ValueError, match="13 curves: at most 12 can be drawn"):
        small_multiples(curves(MOST_PANELS + 1))


def test_the_figure_chooses_by_how_many_are_drawn():
    one = survival_figure(result([group(n) for n in range(MOST_IN_ONE)]))
    assert "yaxis3" not in one.plot["layout"]
    assert "Drawing" not in dict(one.facts)
    many = survival_figure(result([group(n) for n in range(MOST_IN_ONE + 1)]))
    assert f"yaxis{MOST_IN_ONE + 1}" in many.plot["layout"]
    assert dict(many.facts)["Drawing"].startswith("Too many groups for one drawing")
    assert "#" not in json.dumps(many.plot)


def test_of_more_than_twelve_the_largest_are_drawn_and_the_table_has_all():
    groups = [group(n, n=10 + 2 * n) for n in range(14)]
    assert [of.label for of in curves_of(result(groups))] == [f"Group {n}" for n in range(2, 14)]
    figure = survival_figure(result(groups))
    assert "Drawn: the 12 largest groups; the table has all." in dict(figure.facts).values()
    assert len(figure.table.rows) == 15


def test_curves_that_cross_are_named_and_many_are_counted():
    def crossing(number, early, late):
        columns = {
            "time": [100, 1000, 2000],
            "failed": [1, 1, 0],
            "weights": [early, late, 40 - early - late],
        }
        return replace(group(number), curve=kaplan_meier(**columns))

    steep, slow = (
        (crossing(number, 4, 0) for number in (0, 1)),
        (crossing(number, 0, 20) for number in (2, 3)),
    )
    four = [*steep, *slow]
    [named] = survival_figure(result(four[1:3])).cautions
    assert named == "The curves of Group 1 and Group 2 cross, so one number for their difference misleads."
    unknown = replace(four[2], code="unknown")
    assert survival_figure(result([four[1], unknown])).cautions == ()
    [counted] = survival_figure(result(four)).cautions
    assert counted == ("4 of the 6 pairs of curves cross, so one number for their differences misleads.")


def test_groups_too_small_for_a_curve_are_not_drawn():
    small = survival_figure(result([group(0, n=4), group(1, n=4)]))
    assert small.plot == {}
    assert dict(small.facts)["In words"] == "Nothing is drawn: every group is too small for a curve."
