"""The score curves of a knee: who sees them, what they show, how many questions they ask the database."""

import csv
import io
import json
import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from registry.models import ScoreResponse, SecondLook
from registry.recording import Act, record, withdraw
from registry.scoring import INSTRUMENTS
from tests import factories

pytestmark = pytest.mark.django_db

BEST = {item.code: max(item.allowed) for item in INSTRUMENTS["lysholm"].items}
FRAGMENT = {"HX-Request": "true"}


def a_score(knee, days, items=BEST, **fields):
    score = ScoreResponse(
        knee=knee,
        answered_on=factories.OPERATED_ON + timedelta(days=days),
        instrument="lysholm",
        items=items,
        **fields,
    )
    record(score)
    return score


@pytest.fixture
def page(cast):
    def get(who="surgeon", **headers):
        return cast.client(who).get(reverse("knee_scores", args=[cast.knee.uuid]), headers=headers)

    return get


def plots(response):
    """What each figure on the page hands to be drawn."""
    found = re.findall(
        r'<script id="[\w-]+-plot" type="application/json">(.*?)</script>', response.content.decode()
    )
    return [json.loads(plot) for plot in found]


@pytest.mark.parametrize("who", ["surgeon", "colleague", "clinician", "audit_lead"])
def test_who_sees_the_record_sees_the_scores(page, who):
    assert page(who).status_code == 200


@pytest.mark.parametrize("who", ["stranger", "coordinator", "administrator"])
def test_nobody_else_does(cast, page, who):
    a_score(cast.knee, 365)
    assert page(who).status_code == page(who, **FRAGMENT).status_code == 404


def test_signed_out_leads_to_the_sign_in_page(page):
    response = page("nobody")
    assert response.status_code == 302
    assert response.url.startswith(reverse("sign_in"))


def test_no_scores_yet(page):
    assert "No scores yet." in page().content.decode()


def test_browsers_keep_nothing(page):
    assert page()["Cache-Control"] == page(**FRAGMENT)["Cache-Control"] == "no-store"


def test_a_figure_with_its_sentence_its_points_and_its_table(cast, page):
    a_score(cast.knee, -10, {**BEST, "pain": 0, "swelling": 0})
    a_score(cast.knee, 183, {"limp": 5})
    a_score(cast.knee, 365, reoperated_since="no")
    response = page()
    [figure] = response.context["figures"]
    assert figure.title == "Lysholm rose from 65 before operation to 100 at 12 months"
    assert figure.table.rows == (
        ("20 Feb 2024", "-0.3", "65", "8 of 8", "Not asked"),
        ("31 Aug 2024", "6.0", "not scorable (1 of 8)", "1 of 8", "Not asked"),
        ("1 Mar 2025", "12.0", "100", "8 of 8", "No"),
    )
    text = response.content.decode()
    assert all(f">{cell}<" in text for row in figure.table.rows for cell in row)
    [plot] = plots(response)
    scored, [below] = [trace["y"] for trace in plot["data"]]
    assert scored == [65, 100]
    assert below < 0


def test_operations_looks_and_reoperations_are_marked(cast, page):
    a_score(cast.knee, 365)
    factories.a_failure(cast.repair, 400)
    record(
        SecondLook(knee=cast.knee, looked_on=factories.OPERATED_ON + timedelta(days=200), reason="symptoms")
    )
    [plot] = plots(page())
    assert {label["text"]: label["x"] for label in plot["layout"]["annotations"]} == {
        "operation": 0,
        "second look": 6.57,
        "reoperation": 13.14,
    }


def test_what_was_withdrawn_is_not_drawn(cast, page):
    a_score(cast.knee, 365)
    withdraw(a_score(cast.knee, 500, {**BEST, "pain": 0}), Act(cast.surgeon, "entered for the wrong knee"))
    withdraw(factories.a_failure(cast.repair, 400), Act(cast.surgeon, "entered for the wrong knee"))
    response = page()
    [plot] = plots(response)
    assert response.context["figures"][0].title == "Lysholm was 100 at 12 months"
    assert [label["text"] for label in plot["layout"]["annotations"]] == ["operation"]


def test_another_knees_scores_stay_there(cast, page):
    other = factories.an_operation(cast.unit, cast.oak)
    a_score(other.knee, 365)
    assert page().context["figures"] == []


def test_the_fragment_comes_without_the_page_around_it(cast, page):
    a_score(cast.knee, 365)
    whole, fragment = page().content.decode(), page(**FRAGMENT).content.decode()
    assert "<html" in whole
    assert "<html" not in fragment
    assert "Lysholm was 100 at 12 months" in whole
    assert "Lysholm was 100 at 12 months" in fragment


def test_same_number_of_queries_at_1_and_20_scores(cast):
    client, address = cast.client("surgeon"), reverse("knee_scores", args=[cast.knee.uuid])

    def queries():
        with CaptureQueriesContext(connection) as captured:
            assert client.get(address, headers=FRAGMENT).status_code == 200
        return len(captured)

    a_score(cast.knee, 30)
    queries()  # notes the opening, once a day
    few = queries()
    for number in range(2, 21):
        a_score(cast.knee, 30 * number)
    factories.a_failure(cast.repair, 400)
    assert ScoreResponse.objects.filter(knee=cast.knee).count() == 20
    assert few == queries() <= 9


def test_the_scales_of_a_form_are_panels_of_one_figure(cast, page):
    record(
        ScoreResponse(
            knee=cast.knee,
            answered_on=factories.OPERATED_ON + timedelta(days=365),
            instrument="koos",
            items={"S1": 1, "S2": 1, "S3": 0, "S4": 0},
        )
    )
    a_score(cast.knee, 365)
    response = page()
    koos, lysholm = response.context["figures"]
    assert koos.title == "KOOS was answered at 12 months: 1 of 6 scales could be scored"
    assert "Symptoms was 87.5 at 12 months" in dict(koos.facts)["In words"]
    assert lysholm.title == "Lysholm was 100 at 12 months"
    drawn, _ = plots(response)
    assert len({trace["yaxis"] for trace in drawn["data"]}) == len(INSTRUMENTS["koos"].scales)


def test_the_csv_holds_every_answer_on_every_scale(cast, page):
    a_score(cast.knee, -10, {**BEST, "pain": 0})
    a_score(cast.knee, 183, {"limp": 5})
    address = reverse("knee_scores_csv", args=[cast.knee.uuid])
    assert address in page().content.decode()
    response = cast.client("surgeon").get(address)
    assert response["Cache-Control"] == "no-store"
    first, second = csv.DictReader(io.StringIO(response.content.decode()))
    assert (first["scale"], first["value"], first["answered_on"]) == ("total", "75.0", "2024-02-20")
    assert (second["value"], second["items_answered"], second["items"]) == ("", "1", "8")
    assert second["reoperated_since"] == "not_asked"


@pytest.mark.parametrize("who", ["stranger", "coordinator", "administrator"])
def test_the_csv_is_for_who_sees_the_record(cast, who):
    address = reverse("knee_scores_csv", args=[cast.knee.uuid])
    assert cast.client(who).get(address).status_code == 404
