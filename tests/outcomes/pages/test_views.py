"""The further views of Survival: each answers for the cohort in the address, or says why not."""

import csv
import io
import json

import pytest
from django.urls import reverse

from outcomes.estimators.competing import cumulative_incidence
from outcomes.estimators.restricted_mean import restricted_mean
from outcomes.pages.views import VIEWS
from tests import factories

pytestmark = pytest.mark.django_db

RED_WHITE = ([100, 300, 500, 900, 900, 900], ["failure", "failure", "death", None, None, None])


@pytest.fixture
def page(cast):
    def get(view, who="surgeon", **query):
        return cast.client(who).get(reverse("survival_view", args=[view]), query)

    return get


@pytest.fixture
def file(cast):
    def get(view, who="surgeon", **query):
        response = cast.client(who).get(reverse("survival_view_csv", args=[view]), query)
        return response, list(csv.DictReader(io.StringIO(response.content.decode())))

    return get


@pytest.fixture
def eleven(cast):
    """Five red-red repairs, of which two failed, and six red-white as RED_WHITE says."""
    red_red = ([200, 400, 900, 900, 900], ["failure", "failure", None, None, None])
    for zone, ends in (("RR", red_red), ("RW", RED_WHITE)):
        for day, cause in zip(*ends, strict=True):
            repair = factories.a_repair(
                factories.an_operation(cast.unit, cast.oak), vascular_zone=zone, map_step=3, rim_zone=1
            )
            if cause == "failure":
                factories.a_failure(repair, day)
            elif cause == "death":
                died_on = factories.OPERATED_ON + factories.timedelta(days=day)
                factories.corrected(repair.tear.procedure.knee.patient, died_on=died_on)
            else:
                factories.a_contact(repair, day)


def test_each_view_has_figures_in_the_house_style_and_its_file(page, file, eleven):
    for view, known in VIEWS.items():
        response = page(view)
        assert response.status_code == 200
        assert [link["label"] for link in response.context["views"] if link["current"]] == [known.label]
        assert response.context["figures"], view
        for figure in response.context["figures"]:
            assert figure.table.rows
            assert {"Cohort", "Repairs", "Median follow-up", "Follow-up complete"} <= set(dict(figure.facts))
            assert figure.csv_url == f"{reverse('survival_view_csv', args=[view])}?"
            text = json.dumps(figure.plot).replace("<extra></extra>", "").replace("<br>", "")
            assert "<" not in text
        answer, rows = file(view)
        assert answer["Content-Disposition"] == f'attachment; filename="survival-{view}.csv"'
        assert answer["Cache-Control"] == "no-store"
        assert rows, view


def test_an_empty_cohort_says_so_and_has_an_empty_file(page, file):
    for view in VIEWS:
        response = page(view, meniscus="lateral")
        assert response.context["figures"] == []
        assert "No repair in this cohort" in response.content.decode()
        if view not in ("in-print", "lost"):  # these list what they set beside a cohort, whatever it holds
            assert file(view, meniscus="lateral")[1] == []


def test_the_incidence_is_the_estimators(file, eleven):
    _, rows = file("competing", zone="RW")
    failure = [row for row in rows if row["cause"] == "failure"]
    days, causes = RED_WHITE
    expected = cumulative_incidence(days, ["censored" if cause is None else cause for cause in causes])
    assert [float(row["incidence"]) for row in failure] == list(expected.causes["failure"].incidence)
    assert float(failure[-1]["incidence"]) == pytest.approx(2 / 6, rel=1e-12)


def test_a_split_goes_with_the_cohort_from_view_to_view(page, file, eleven):
    [figure] = page("competing", split="zone", zone="RW").context["figures"]
    assert [row[0] for row in figure.table.rows] == ["Red-white"]
    carried = page("lost", split="zone", **{"as": "failure"}).context["form"].carried
    assert carried == [("split", "zone"), ("as", "failure")]
    three = [figure.name for figure in page("means").context["figures"]]
    assert three == ["means-by-zone", "means-by-acuity", "means-by-ligament"]
    _, rows = file("means", split="zone")
    row = next(row for row in rows if row["level"] == "Red-white")
    mean = restricted_mean(RED_WHITE[0], [cause == "failure" for cause in RED_WHITE[1]], tau=900)
    assert (row["split"], float(row["mean_days"])) == ("zone", mean.estimate)


def test_a_further_split_joins_the_model(page, eleven):
    levels = {
        row[0].partition(":")[0]
        for row in page("adjusted", split="augmentation").context["figures"][0].table.rows
    }
    assert {"Vascular zone", "Biological augmentation"} <= levels
    plain = {row[0].partition(":")[0] for row in page("adjusted").context["figures"][0].table.rows}
    assert "Biological augmentation" not in plain


def test_shares_of_small_places_are_in_no_file(cast, file):
    for _ in range(3):
        repair = factories.a_repair(
            factories.an_operation(cast.unit, cast.oak), meniscus="lateral", map_step=8, rim_zone=2
        )
        factories.a_failure(repair, 200)
    _, rows = file("places", meniscus="lateral")
    assert [(row["repairs"], row["failures"], row["share"]) for row in rows] == [("3", "3", "")]


def test_an_unknown_view_is_no_page(page, file):
    assert page("moon").status_code == 404
    assert file("moon")[0].status_code == 404


@pytest.mark.parametrize(("who", "status"), [("coordinator", 200), ("stranger", 200), ("administrator", 403)])
def test_who_sees_figures_sees_every_view(page, file, eleven, who, status):
    for view in ("lost", "in-print"):
        assert page(view, who).status_code == status
        assert file(view, who)[0].status_code == status


@pytest.mark.parametrize("view", ["competing", "lost"])
def test_a_wrong_filter_is_told_with_the_form_or_in_place_of_the_file(page, file, view):
    response = page(view, zone="edge")
    assert response.status_code == 400
    assert response.context["form"].errors["zone"][0].startswith("zone: 'edge' is not one of RR, RW, WW")
    answer, _ = file(view, zone="edge", since="soon")
    assert (answer.status_code, answer["Content-Type"]) == (400, "text/plain; charset=utf-8")
    assert b"zone: 'edge' is not one of" in answer.content


def test_no_view_singles_out_one_surgeon(page, file, eleven):
    """To the clinician all repairs are of one surgeon: the whole is shown, never split, and no part of it."""
    for view in VIEWS:
        assert page(view, "clinician", zone="RW").status_code == 403
        assert file(view, "clinician", zone="RW")[0].status_code == 403
        whole = page(view, "clinician", split="zone")
        is_split = view in ("competing", "means", "adjusted", "places")
        told = "Figures never show the results of one other surgeon." in whole.content.decode()
        assert told == is_split
        if is_split:
            answer, rows = file(view, "clinician", split="zone")
            assert not whole.context.get("figures")
            assert (answer.status_code, rows) == (200, []) or answer.status_code == 403
