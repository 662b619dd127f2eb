"""Two cohorts side by side: what they share, how they differ, and when no difference is given."""

import csv
import io
from html import unescape
from math import sqrt

import pytest
from django.urls import reverse

from outcomes.charts.compared import points
from outcomes.compared import LandmarkDifference, landmark_differences
from outcomes.estimators.comparison import log_rank
from outcomes.estimators.restricted_mean import restricted_mean, restricted_mean_difference
from outcomes.estimators.survival import kaplan_meier
from outcomes.wording import p_value
from tests import factories

FIRST = ([100, 300, 900, 900, 900], [1, 1, 0, 0, 0])
SECOND = ([200, 400, 600, 800, 900, 900], [1, 0, 0, 1, 0, 0])


# --- the numbers --------------------------------------------------------------------------------


def test_the_difference_by_hand():
    """Greenwood by hand: 0.6^2 (1/20 + 1/12) = 0.048; (5/6)^2 / 30 at two years, 1 of 6 failed."""
    one, two, five = landmark_differences(kaplan_meier(*FIRST), kaplan_meier(*SECOND))
    assert (one.day, two.day, five.day) == (365, 730, 1826)
    error = sqrt(0.048 + (5 / 6) ** 2 / 30)
    assert two.estimate == pytest.approx(0.6 - 5 / 6, rel=1e-12)
    assert two.std_error == pytest.approx(error, rel=1e-12)
    assert two.lower == pytest.approx(0.6 - 5 / 6 - 1.959963984540054 * error, rel=1e-12)
    assert two.upper == pytest.approx(0.6 - 5 / 6 + 1.959963984540054 * error, rel=1e-12)
    assert (five.estimate, five.std_error) == (None, None)


def test_of_patients_with_several_repairs_the_robust_errors_are_taken():
    clustered = kaplan_meier(*FIRST, cluster=["a", "a", "b", "c", "d"])
    [_, two, _] = landmark_differences(clustered, kaplan_meier(*SECOND))
    robust = clustered.std_error[clustered.time.index(300)]
    assert robust != pytest.approx(sqrt(0.048))
    assert two.std_error == pytest.approx(sqrt(robust**2 + (5 / 6) ** 2 / 30), rel=1e-12)


def test_no_interval_where_none_or_all_failed_in_one():
    none_failed = kaplan_meier([800, 900, 900], [0, 0, 0])
    [one, two, _] = landmark_differences(none_failed, kaplan_meier(*SECOND))
    assert two.estimate == pytest.approx(1 / 6)
    assert (one.lower, two.std_error, two.lower, two.upper) == (None, None, None, None)
    all_failed = kaplan_meier([100, 200, 365], [1, 1, 1])
    one, two, _ = landmark_differences(all_failed, kaplan_meier(*SECOND))
    assert (one.estimate, one.lower) == (pytest.approx(-5 / 6), None)
    assert two.estimate is None


def test_a_difference_in_words():
    assert points(LandmarkDifference(730, 0.0213, 0.03, -0.0402, 0.0827)) == "2.1 (-4.0 to 8.3)"
    assert points(LandmarkDifference(730, 0.0213, None, None, None)) == "2.1"
    assert points(LandmarkDifference(730, None, None, None, None)) == "-"


# --- the page -----------------------------------------------------------------------------------


@pytest.fixture
def page(cast):
    def get(address="survival_compare", who="surgeon", **query):
        return cast.client(who).get(reverse(address), query)

    return get


@pytest.fixture
def two(cast):
    """The repairs of FIRST lie white-white, those of SECOND red-white."""
    for zone, (ends, failed) in (("WW", FIRST), ("RW", SECOND)):
        for day, has_failed in zip(ends, failed, strict=True):
            repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak), vascular_zone=zone)
            end = factories.a_failure if has_failed else factories.a_contact
            end(repair, day)


@pytest.mark.django_db
def test_two_cohorts_apart_are_tested_and_their_difference_told(page, two):
    response = page(zone="WW", b_zone="RW")
    [figure] = response.context["figures"]
    facts = dict(figure.facts)
    assert facts["First cohort"] == "Primary repairs in vascular zone white-white at Northmere Hospital."
    assert facts["Second cohort"] == "Primary repairs in vascular zone red-white at Northmere Hospital."
    assert facts["In both"] == "0 repairs"
    time, failed = FIRST[0] + SECOND[0], FIRST[1] + SECOND[1]
    test = log_rank(time, failed, ["first"] * 5 + ["second"] * 6)
    _, at_two, _ = landmark_differences(kaplan_meier(*FIRST), kaplan_meier(*SECOND))
    assert facts["Comparison"] == (
        f"At two years, first less second: {points(at_two)} percentage points. "
        f"Log-rank over 2 groups: chi-square {test.statistic:.2f}, 1 degree of freedom, {p_value(test.p)}."
    )
    means = restricted_mean_difference(restricted_mean(*FIRST, tau=900), restricted_mean(*SECOND, tau=900))
    assert f"up to 29.6 months: {means.estimate / 30.4375:.1f} (" in facts["Mean time without failure"]
    assert [row[0] for row in figure.table.rows] == [
        "First cohort",
        "Second cohort",
        "First less second (percentage points)",
    ]
    lines = {trace["name"] for trace in figure.plot["data"] if trace.get("name")}
    assert lines == {"First cohort", "Second cohort"}


@pytest.mark.django_db
def test_cohorts_that_overlap_are_drawn_but_not_tested(page, two):
    [figure] = page(b_zone="RW").context["figures"]
    facts = dict(figure.facts)
    assert facts["In both"] == "6 repairs"
    assert facts["Comparison"].startswith("6 repairs are in both cohorts, which are then not independent")
    assert facts["Mean time without failure"] == "Not compared."
    assert len(figure.table.rows) == 2
    assert "Log-rank" not in dict(figure.facts)["Method"]
    assert figure.plot


@pytest.mark.django_db
def test_a_patient_with_a_repair_in_each_is_told(cast, page, two):
    procedure = factories.an_operation(cast.unit, cast.oak)
    for zone in ("WW", "RW"):
        factories.a_contact(factories.a_repair(procedure, vascular_zone=zone), 950)
    [figure] = page(zone="WW", b_zone="RW").context["figures"]
    said = (
        "1 patient has a repair in each cohort; test and intervals of the difference take the cohorts as "
        "independent."
    )
    assert said in figure.cautions


@pytest.mark.django_db
def test_two_definitions_of_failure_are_not_set_against_each_other(page, two):
    [figure] = page(zone="WW", b_zone="RW", b_failure="any").context["figures"]
    facts = dict(figure.facts)
    assert facts["Comparison"].startswith("The cohorts are read by different definitions of failure")
    assert {"Reoperation on the repair", "Any failure"} <= set(facts)
    same = page(zone="WW", b_zone="RW", failure="any").context["figures"][0]
    assert same.title.startswith("Any failure: ")


@pytest.mark.django_db
def test_a_cohort_too_small_for_a_curve_shows_counts_only(page, two):
    [figure] = page(zone="RR", b_zone="RW").context["figures"]
    assert figure.table.rows[0][3] == "too few"
    assert (
        dict(figure.facts)["Comparison"] == "One cohort is too small for a curve, so no difference is given."
    )
    assert {trace["name"] for trace in figure.plot["data"] if trace.get("name")} == {"Second cohort"}
    file = page("survival_compare_csv", zone="RR", b_zone="RW").content.decode()
    assert "First cohort" not in file


@pytest.mark.django_db
def test_an_empty_cohort_says_so(page, two):
    response = page(zone="WW", b_zone="RW", b_meniscus="lateral")
    assert response.context["figures"] == []
    assert "One of the cohorts has no repair" in response.content.decode()


@pytest.mark.django_db
def test_the_file_holds_both_curves_at_full_precision(page, two):
    [figure] = page(zone="WW", b_zone="RW").context["figures"]
    assert figure.csv_url == f"{reverse('survival_compare_csv')}?zone=WW&b_zone=RW"
    text = page("survival_compare_csv", zone="WW", b_zone="RW").content.decode()
    rows = [row for row in csv.DictReader(io.StringIO(text)) if row["cohort"] == "First cohort"]
    curve = kaplan_meier(*FIRST)
    assert [float(row["survival"]) for row in rows] == list(curve.survival)


@pytest.mark.django_db
def test_each_form_mends_its_own_filters(page, two):
    response = page(zone="WW", b_zone="edge", b_since="soon")
    assert response.status_code == 400
    text = unescape(response.content.decode())
    assert "b_zone: 'edge' is not one of RR, RW, WW, unknown." in text
    (_, first), (_, second) = response.context["forms"]
    assert (first["zone"].value(), dict(first.errors)) == ("WW", {})
    assert list(second.errors) == ["zone", "since"]
    assert second.errors["since"][0].startswith("b_since: 'soon' is no day")
    assert second["zone"].html_name == "b_zone"


@pytest.mark.django_db
def test_neither_cohort_singles_a_surgeon_out(page, two):
    for query in ({"zone": "WW"}, {"b_zone": "WW"}):
        assert page(who="clinician", **query).status_code == 403
        assert page("survival_compare_csv", who="clinician", **query).status_code == 403
    assert page(who="administrator").status_code == 403
