"""Survival: three figures, each with its table, CSV and everything a reader needs to judge it."""

import csv
import io
import json
from datetime import UTC, datetime

import pytest
from django.urls import reverse

from outcomes.estimators.survival import kaplan_meier
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def page(cast):
    def get(address="survival", args=(), **query):
        return cast.client("surgeon").get(reverse(address, args=args), query)

    return get


@pytest.fixture
def ten(cast):
    """Ten repairs in two zones: four fail, the others are known well at 900 days."""
    for number in range(10):
        repair = factories.a_repair(
            factories.an_operation(cast.unit, cast.oak), vascular_zone="RR" if number % 2 else "RW"
        )
        if number < 4:
            factories.a_failure(repair, 100 * (number + 1))
        else:
            factories.a_contact(repair, 900)


def test_every_figure_carries_what_judges_it(page, ten):
    figures = page().context["figures"]
    assert [figure.name for figure in figures] == [
        "survival-by-zone",
        "survival-by-acuity",
        "survival-by-ligament",
    ]
    for figure in figures:
        labels = [label for label, _ in figure.facts]
        for needed in (
            "In words",
            "Cohort",
            "Reoperation on the repair",
            "Repairs",
            "Median follow-up",
            "Follow-up complete",
            "Comparison",
            "Method",
            "References",
        ):
            assert needed in labels
        assert figure.cautions


def test_the_table_holds_the_estimators_numbers(page, ten):
    table = page().context["figures"][0].table
    row = dict(zip(table.columns, next(row for row in table.rows if row[0] == "Red-white"), strict=True))
    curve = kaplan_meier([100, 300, 900, 900, 900], [1, 1, 0, 0, 0], at=(730,))
    at = curve.landmarks[0]
    assert (
        row["Standing at 2 years"]
        == f"{100 * at.survival:.1f} % ({100 * at.lower:.1f} to {100 * at.upper:.1f})"
    )
    assert (row["Repairs"], row["Failures"]) == ("5", "2")


def test_the_csv_holds_every_step_at_full_precision(page, ten):
    rows = list(csv.DictReader(io.StringIO(page("survival_csv", ["zone"]).content.decode())))
    steps = [(float(row["day"]), float(row["survival"])) for row in rows if row["group"] == "Red-white"]
    curve = kaplan_meier([100, 300, 900, 900, 900], [1, 1, 0, 0, 0])
    assert steps == list(zip(curve.time, curve.survival, strict=True))


def test_filters_and_definition_come_from_the_address(page, ten):
    lateral = page(meniscus="lateral")
    assert lateral.context["figures"] == []
    assert page(failure="any").context["definition"].name == "Any failure"


@pytest.mark.parametrize("query", [{"failure": "none"}, {"which": "some"}, {"pattern": "round"}])
def test_an_unknown_filter_names_itself_and_its_choices(page, query):
    response = page(**query)
    assert response.status_code == 400
    (name, value), *_ = query.items()
    assert f"{name}: '{value}' is not one of" in response.content.decode()


def test_an_unknown_stratum_has_no_csv(page):
    assert page("survival_csv", ["moon"]).status_code == 404


def test_repairs_entered_later_are_left_out_and_counted(cast, page, ten):
    late = datetime(2025, 3, 1, tzinfo=UTC)
    factories.a_repair(factories.an_operation(cast.unit, cast.oak, recorded_at=late))
    figure = page().context["figures"][0]
    assert "Left out: 1 repair entered later from old notes." in figure.cautions
    assert dict(figure.facts)["Repairs"].startswith("11, of which failed 4;")


def test_under_five_repairs_show_counts_only(cast, page):
    row = page().context["figures"][0].table.rows[0]
    assert row[0] == "Red-red"
    assert "too few" in row
    assert "%" not in "".join(row[1:9])
    assert not page().context["figures"][0].plot
    assert "Red-red" not in page("survival_csv", ["zone"]).content.decode()


def test_unknown_levels_are_shown_but_not_tested(cast, page, ten):
    for _ in range(6):
        factories.a_repair(factories.an_operation(cast.unit, cast.oak), vascular_zone="")
    facts = page().context["figures"][0].facts
    assert ("Note", "Not recorded (n = 6) is shown but left out of the test.") in facts
    assert "Log-rank over 2 groups" in dict(facts)["Comparison"]


def test_the_drawing_is_plain_json_with_named_colours_only(page, ten):
    plot = page().context["figures"][0].plot
    text = json.dumps(plot).replace("<extra></extra>", "")  # an empty second box of the hover label
    assert "var:series-1" in text
    assert "<" not in text  # a tag would be drawn with a style attribute, which the page forbids


def test_a_curve_fades_where_few_remain_at_risk(page, ten):
    lines = [trace for trace in page().context["figures"][0].plot["data"] if trace.get("mode") == "lines"]
    assert {trace.get("opacity") for trace in lines if "opacity" in trace} == {0.35, 1.0}
