"""The drawing of what the lost could change: three points, the published share with its source, and words."""

import json
import re

import pytest

from outcomes.analyses.lost import lost_result
from outcomes.charts.lost import CSV_COLUMNS, in_words, lost_figure, lost_rows
from tests.outcomes.analyses.counting import of_rows

FORTY = [(100, "failed"), *[(200, "censored")] * 15, *[(500, "failed")] * 2, *[(900, "censored")] * 22]
GONE = [False] + [True] * 15 + [False] * 24
FOLLOWED = [(300, "failed"), *[(900, "censored")] * 19]
OW = "Published failures of 15 % (11 to 20) leave 85 % standing."


@pytest.fixture
def figure():
    return lost_figure(lost_result(*of_rows(*FORTY, lost=GONE)), "figure.csv")


def test_three_points_stand_beside_the_published_share(figure):
    [points] = figure.plot["data"]
    # By hand: three of forty fail; one of 40 and two of 24; these and the fifteen.
    assert points["x"] == pytest.approx([37 / 40, 39 / 40 * 22 / 24, 22 / 40], rel=1e-12)
    assert points["y"] == [0, -1, -2]
    assert all(reach > 0 for side in ("array", "arrayminus") for reach in points["error_x"][side])
    layout = figure.plot["layout"]
    assert layout["yaxis"]["ticktext"] == [
        "No lost<br>repair ever failed", "As followed", "Every lost<br>repair failed"
    ]  # fmt: skip
    band, line = layout["shapes"]
    assert (band["x0"], band["x1"], line["x0"]) == (0.80, 0.89, 0.85)
    assert layout["annotations"][0]["text"] == "failed in Ow et al. 2021: 15 % (11 to 20)"
    assert layout["xaxis"]["range"] == [0, 1.02]


def test_the_source_and_who_was_lost_are_told(figure):
    facts = dict(figure.facts)
    assert facts["Lost before 2 years"].startswith("15: last known before two years")
    # The citation and definition as printed in Ow et al. Arthroscopy 2021;37(12).
    assert facts["Published share"] == (
        "15 % (11 to 20) failed at 2 to 3 years (95 % confidence interval); traumatic tears in grown knees, "
        "studies pooled; traumatic tears, alone or with ACL reconstruction; failure: persistent symptoms, "
        "not healed on MRI, or revision. Ow ZGW, Law MSN, Ng CH, et al. Arthroscopy 2021;37(12)."
    )
    for needed in ("Cohort", "Repairs", "Median follow-up", "Follow-up complete", "Method", "References"):
        assert facts[needed]


def test_the_table_tells_shares_standing_with_their_limits(figure):
    assert figure.table.columns == ("What became of the lost", "Standing at 2 years", "At risk then")
    for label, said, at_risk in figure.table.rows:
        share, lower, upper = (float(number) for number in re.findall(r"[\d.]+", said))
        assert lower < share < upper, label
        assert int(at_risk) > 0
    assert figure.table.rows[1][1].startswith("89.4 % (")


@pytest.mark.parametrize(
    ("rows", "lost", "said"),
    [
        (FORTY, GONE, f"{OW} Here fewer would stand if the lost had, after their loss, more than 2.6 times"),
        (
            [(9, "failed"), *[(200, "censored")] * 5, (500, "failed"), *[(900, "censored")] * 3],
            [0] + [1] * 5 + [0] * 4,
            f"{OW} Here fewer stand as followed, so there is no tipping point.",
        ),
        (
            [(100, "censored"), *FOLLOWED],
            [1] + [0] * 20,
            f"{OW} Here no fewer stand even with every lost repair failed when it was lost.",
        ),
        (FOLLOWED, [0] * 20, f"still stand as followed; nobody was lost. {OW} Here no fewer stand."),
        (
            [(100, "failed"), *[(200, "censored")] * 19, (900, "censored")],
            [0] + [1] * 19 + [0],
            f"{OW} Here fewer would stand only if lost repairs failed when they were lost",
        ),
        ([(9, "failed")] * 6, [0] * 6, "No repair was followed for two years yet"),
        (FOLLOWED[:4], [0] * 4, "Too few repairs to say what the lost could change."),
        ([], [], "Too few repairs to say what the lost could change."),
    ],
)  # fmt: skip
def test_words_say_what_would_tip_it(rows, lost, said):
    assert said in in_words(lost_result(*of_rows(*rows, lost=[bool(gone) for gone in lost])))


@pytest.mark.parametrize("rows", [FOLLOWED[:4], [(9, "censored")] * 6])
def test_of_few_or_none_so_long_followed_nothing_is_drawn(rows):
    figure = lost_figure(lost_result(*of_rows(*rows)))
    assert figure.plot == {}
    assert "%" not in str(figure.table.rows)


def test_rows_of_the_file_are_the_shares_at_full_precision():
    result = lost_result(*of_rows(*FORTY, lost=GONE))
    rows = [dict(zip(CSV_COLUMNS, row, strict=True)) for row in lost_rows(result)]
    followed = result.bounds.as_followed
    assert rows[1]["survival"] == followed.survival
    assert (rows[1]["lower_95"], rows[1]["upper_95"]) == (followed.lower, followed.upper)
    assert {row["day"] for row in rows} == {730}


def test_the_drawing_is_plain_json_with_named_colours_only(figure):
    text = json.dumps(figure.plot)
    assert "<" not in re.sub(r"<extra></extra>|<br>", "", text)
    assert not re.search(r"#[0-9a-f]{3,8}\b|rgb", text)
