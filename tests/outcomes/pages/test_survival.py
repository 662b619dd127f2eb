"""Survival: three figures, each with its table, CSV and everything a reader needs to judge it."""

import csv
import io
import json
from datetime import UTC, datetime
from html import unescape

import pytest
from django.urls import reverse

from outcomes.estimators.survival import kaplan_meier
from outcomes.models import NamedCohort
from outcomes.naming import define_failure
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
    text = unescape(response.content.decode())
    assert f"{name}: '{value}' is not one of" in text
    assert "Nothing is shown until the filters are mended." in text
    assert response.context["form"].in_view


def test_an_unknown_stratum_has_no_csv(page):
    assert page("survival_csv", ["moon"]).status_code == 404


def test_repairs_entered_later_are_at_risk_from_their_entry(cast, page, ten):
    """A year after the operation: one known well since, one whose end was known by then."""
    late = datetime(2025, 3, 1, tzinfo=UTC)
    known = factories.a_repair(factories.an_operation(cast.unit, cast.oak, recorded_at=late))
    factories.a_contact(known, 1000)
    factories.a_failure(factories.a_repair(factories.an_operation(cast.unit, cast.oak, recorded_at=late)), 90)
    figure = page().context["figures"][0]
    said = (
        "1 repair entered later from old notes: at risk only from the day of entry. "
        "Left out: 1 repair whose end was known when entered later from old notes."
    )
    assert said in figure.cautions
    assert dict(figure.facts)["Repairs"].startswith("12, of which failed 4;")


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


# --- split and side -----------------------------------------------------------------------------


def test_any_stratum_splits_and_its_file_goes_with_it(page, ten):
    [figure] = page(split="meniscus").context["figures"]
    assert figure.title == "Reoperation on the repair: repairs still standing, by meniscus"
    assert figure.csv_url == f"{reverse('survival_csv', args=['meniscus'])}?split=meniscus"
    assert page("survival_csv", ["meniscus"], split="meniscus").content.count(b"Medial,") == 6


def test_the_share_failed_is_the_other_side_of_the_same_result(page, ten):
    standing = page(split="zone").context["figures"][0]
    failed = page(split="zone", **{"as": "failure"}).context["figures"][0]
    assert (
        failed.title == "Reoperation on the repair: one less the share of repairs standing, by vascular zone"
    )
    assert dict(failed.facts)["Shown"] == "One less the share still standing, of the same estimate."
    curve = kaplan_meier([100, 300, 900, 900, 900], [1, 1, 0, 0, 0], at=(730,))
    at = curve.landmarks[0]
    row = dict(
        zip(failed.table.columns, next(r for r in failed.table.rows if r[0] == "Red-white"), strict=True)
    )
    limits = f"({100 * (1 - at.upper):.1f} to {100 * (1 - at.lower):.1f})"
    assert row["Failed by 2 years"] == f"{100 * (1 - at.survival):.1f} % {limits}"
    ours, theirs = (
        next(trace for trace in figure.plot["data"] if trace.get("name") == "Red-white")
        for figure in (standing, failed)
    )
    assert [1 - share for share in ours["y"]] == pytest.approx(theirs["y"])
    assert failed.plot["layout"]["yaxis"]["range"][0] == 0


def test_where_something_else_ended_repairs_the_other_side_is_no_risk(page, cast, ten):
    """shared rule: one minus Kaplan-Meier is never shown as a risk where competing events exist."""
    replaced = factories.a_repair(factories.an_operation(cast.unit, cast.oak))
    patient = replaced.tear.procedure.knee.patient
    factories.corrected(patient, died_on=factories.date(2025, 1, 1))
    failed = page(split="zone", **{"as": "failure"}).context["figures"][0]
    assert failed.cautions[0].startswith("1 repair ended by death, knee replacement or another tear")
    assert "is then not the risk of failure" in failed.cautions[0]
    assert not any("not the risk" in caution for caution in page(split="zone").context["figures"][0].cautions)


def test_three_groups_have_their_pairs_and_ordered_ones_a_trend(page, cast, ten):
    for number in range(5):
        repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak), vascular_zone="WW")
        factories.a_failure(repair, 50 + number)
    [part] = page(split="zone").context["parts"]
    assert [row[0] for row in part["pairs"].rows] == [
        "Red-red and Red-white",
        "Red-red and White-white",
        "Red-white and White-white",
    ]
    trend = dict(part["figure"].facts)["Trend"]
    assert trend.startswith("Log-rank for trend from Red-red to White-white: z ")
    assert "Trend" not in dict(page(split="meniscus").context["figures"][0].facts)


def test_patients_with_several_repairs_are_clusters(page, cast, ten):
    procedure = factories.an_operation(cast.unit, cast.oak)
    for zone in ("RR", "RW"):
        factories.a_contact(factories.a_repair(procedure, vascular_zone=zone), 500)
    factories.a_failure(factories.a_repair(factories.an_operation(cast.unit, cast.oak)), 250)
    facts = dict(page(split="zone").context["figures"][0].facts)
    assert facts["Patients as clusters"].startswith("Robust score test: chi-square ")
    assert "with the patient as cluster" in facts["Method"]


# --- the way in and on --------------------------------------------------------------------------


def test_the_most_used_filters_are_in_view_and_the_rest_wait(page, ten):
    form = page().context["form"]
    assert [field.name for field in form.in_view] == [
        "failure", "split", "as", "which", "unit", "since", "until",
    ]  # fmt: skip
    assert "zone" in [field.name for field in form.more]
    assert not form.more_is_open
    narrowed = page(zone="RR", since="2020-01-01")
    assert narrowed.context["form"].more_is_open
    assert "Primary repairs in vascular zone red-red operated from 1 Jan 2020" in narrowed.content.decode()


def test_a_wrong_day_is_told_beside_its_filter(page):
    response = page(since="1 March", zone="edge")
    assert response.status_code == 400
    assert list(response.context["form"].errors) == ["zone", "since"]
    assert response.context["form"].errors["since"] == ["since: '1 March' is no day; give it as 2024-03-01."]


def test_the_views_keep_the_cohort_in_their_addresses(page, ten):
    links = page(zone="RW", which="primary").context["views"]
    assert [link["label"] for link in links if link["current"]] == ["Curves"]
    assert {link["url"].partition("?")[2] for link in links} == {"zone=RW"}


def test_the_cohort_on_screen_is_kept_under_a_name(cast, page, ten):
    query = page(zone="RW", failure="any", split="age").context["cohort_query"]
    answer = cast.client("surgeon").post(reverse("named_cohorts"), {"name": "Edges", "query": query})
    assert answer.status_code == 302
    named = NamedCohort.objects.get()
    assert (named.query, named.definition) == ({"zone": "RW"}, "any")


def test_a_units_own_definition_is_offered_and_counted(cast, page, ten):
    own = define_failure(cast.audit_lead, cast.unit, "Removed later", ["removed_later"])
    response = page(failure=own.code)
    assert response.context["definition"].name == "Removed later"
    assert response.context["figures"][0].table.rows[-1][2] == "0"


# --- small cells --------------------------------------------------------------------------------


def test_a_whole_is_shown_unsplit_and_no_part_of_it_where_one_surgeon_would_be_singled_out(cast, ten):
    client = cast.client("clinician")
    whole = client.get(reverse("survival"))
    assert whole.status_code == 200
    assert whole.context["figures"] == []
    assert "Not split by vascular zone, acuity or concomitant ligament surgery." in whole.content.decode()
    part = client.get(reverse("survival"), {"zone": "RW"})
    assert part.status_code == 403
    assert "Not shown." in part.content.decode()
    assert part.context["form"]["zone"].value() == "RW"
    for address, query in ((["zone"], {}), (["acuity"], {"zone": "RW"})):
        file = client.get(reverse("survival_csv", args=address), query)
        assert (file.status_code, file["Content-Type"]) == (403, "text/plain; charset=utf-8")
        assert b"one other surgeon" in file.content


def test_failures_are_followed_only_by_who_may_read_the_record(cast, page, ten):
    [part] = page(split="zone").context["parts"]
    assert [(link["label"], link["failures"]) for link in part["behind"]] == [
        ("Red-red", 2),
        ("Red-white", 2),
    ]
    lines = [trace for trace in part["figure"].plot["data"] if trace.get("name") == "Red-white"]
    assert all("level=RW" in trace["meta"]["behind"] for trace in lines)
    factories.a_repair(factories.an_operation(cast.unit, factories.a_surgeon(cast.unit, "ash")))
    elsewhere = cast.client("coordinator").get(reverse("survival"), {"split": "meniscus"})
    assert [part["behind"] for part in elsewhere.context["parts"]] == [[]]
    assert reverse("survival_repairs") not in elsewhere.content.decode()
