"""Scores of a cohort: who sees them, what the address asks for, small counts, CSV, queries, single lines."""

import csv
import io
import json
from datetime import timedelta
from html import unescape

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from registry.models import Knee, ScoreResponse
from registry.recording import record
from registry.scoring import INSTRUMENTS
from tests import factories
from tests.outcomes.pages.test_query_counts import fill

pytestmark = pytest.mark.django_db

LYSHOLM = INSTRUMENTS["lysholm"]
BEST = {item.code: max(item.allowed) for item in LYSHOLM.items}
WORSE = {**BEST, "pain": 0}
LYSHOLM_TOTAL = "lysholm.total"


@pytest.fixture
def page(cast):
    def get(address="scores", args=(), who="surgeon", **query):
        return cast.client(who).get(reverse(address, args=args), query)

    return get


def a_score(knee, days, items, instrument="lysholm"):
    day = factories.OPERATED_ON + timedelta(days=days)
    record(ScoreResponse(knee=knee, answered_on=day, instrument=instrument, items=items))


def answering(cast, n, meniscus="medial"):
    """So many knees, each scored 75 before and 100 at a year."""
    for _ in range(n):
        repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak), meniscus=meniscus)
        a_score(repair.tear.procedure.knee, -5, WORSE)
        a_score(repair.tear.procedure.knee, 365, BEST)


def answering_in_bulk(cast, n):
    """The unit's knees, brought to n, scored before and at a year; the later score tells them apart."""
    fill(cast, n)
    scores = [
        ScoreResponse(
            knee=knee,
            answered_on=factories.OPERATED_ON + timedelta(days=days),
            instrument="lysholm",
            instrument_version="1985",
            items=BEST,
            scale_values={"total": value},
        )
        for number, knee in enumerate(Knee.objects.filter(scores=None).order_by("pk"))
        for days, value in ((-5, 50.0), (365, float(number)))
    ]
    ScoreResponse.objects.bulk_create(scores)


def rows(response):
    return list(csv.DictReader(io.StringIO(response.content.decode())))


def at_a_year(response):
    return [row for row in rows(response) if row["time_point"] == "12m"]


# --- what the address asks for ------------------------------------------------------------------


def test_cohort_scale_and_lines_come_from_the_address(cast, page):
    answering(cast, 5)
    answering(cast, 5, meniscus="lateral")
    level, change = page(score=LYSHOLM_TOTAL).context["figures"]
    assert level.title == "Lysholm: mean 75 before, 100 at 12 months"
    assert change.title == "Lysholm: mean change for the better 25 at 12 months"
    assert dict(level.facts)["Knees"].startswith("10,") or dict(level.facts)["Knees"].startswith("11,")
    lateral = page(score=LYSHOLM_TOTAL, meniscus="lateral", lines="knees")
    assert lateral.context["course"].knees == 5
    assert len(lateral.context["course"].lines) == 5
    assert "lateral meniscus" in dict(lateral.context["figures"][0].facts)["Cohort"]


def test_the_filter_form_keeps_what_was_chosen(page):
    text = page(score="ikdc.total", lines="knees").content.decode()
    for option in ("ikdc.total", "knees", "primary"):
        assert f'<option value="{option}" selected>' in text


@pytest.mark.parametrize(
    "query", [{"score": "koos"}, {"score": "knee.total"}, {"lines": "all"}, {"which": "some"}]
)
@pytest.mark.parametrize(("address", "args"), [("scores", ()), ("scores_csv", ("course",))])
def test_an_unknown_choice_names_itself_and_its_choices(page, query, address, args):
    response = page(address, args, **query)
    assert response.status_code == 400
    [(name, value)] = query.items()
    assert f"{name}: '{value}' is not one of" in unescape(response.content.decode())


def test_nobody_answered(page):
    text = page(score="womet.total").content.decode()
    assert "Nobody in this cohort of 1 knee has answered WOMET" in text


def test_browsers_keep_nothing(page):
    assert page()["Cache-Control"] == page("scores_csv", ["course"])["Cache-Control"] == "no-store"


# --- numbers ------------------------------------------------------------------------------------


def test_under_five_knees_page_and_csv_show_counts_only(cast, page):
    answering(cast, 4)
    response = page(score=LYSHOLM_TOTAL, lines="knees")
    level, change = response.context["figures"]
    assert not level.plot
    assert not change.plot
    assert "too few" in level.table.rows[-1]
    assert "100.0" not in response.content.decode()
    for part, count in (("course", "answered"), ("change", "both")):
        [year] = at_a_year(page("scores_csv", [part], score=LYSHOLM_TOTAL))
        assert (year[count], year["estimate"]) == ("4", "")


def test_csv_holds_the_numbers_at_full_precision_with_operator(cast, page):
    for number in range(5):
        knee = factories.a_repair(factories.an_operation(cast.unit, cast.oak)).tear.procedure.knee
        a_score(knee, -5, {f"P{item}": 2 for item in range(1, 10)}, "koos")
        a_score(knee, 365, {f"P{item}": 0 for item in range(1, 10)} | {"P1": number}, "koos")
    [year] = at_a_year(page("scores_csv", ["course"]))
    assert float(year["estimate"]) == pytest.approx(100 - 200 / 36, rel=1e-15)
    [change] = at_a_year(page("scores_csv", ["change"]))
    assert (change["mcid"], change["operator"]) == ("11.8", ">=")
    assert (change["improved"], change["of"], change["not_attainable"]) == ("5", "5", "0")
    [share] = at_a_year(page("scores_csv", ["pass"]))
    assert (share["pass"], share["operator"], share["reached_it"], share["of"]) == ("80.6", ">", "5", "5")


def test_an_unknown_part_has_no_csv(page):
    assert page("scores_csv", ["moon"]).status_code == 404


def test_every_figure_has_its_csv(cast, page):
    answering(cast, 5)
    for figure in page(score=LYSHOLM_TOTAL).context["figures"]:
        response = cast.client("surgeon").get(figure.csv_url)
        assert response.status_code == 200
        assert "lysholm-total" in response["Content-Disposition"]


def test_the_drawing_is_plain_json_with_named_colours_only(cast, page):
    answering(cast, 5)
    for figure in page(score=LYSHOLM_TOTAL, lines="knees").context["figures"]:
        text = json.dumps(figure.plot).replace("<br>", "")
        assert "var:series-1" in text
        assert "#" not in text
        assert "<" not in text


# --- who ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("who", "status"), [("coordinator", 200), ("administrator", 403)])
def test_the_csv_opens_for_who_sees_figures(page, who, status):
    assert page("scores_csv", ["course"], who=who).status_code == status


def test_a_stranger_sees_no_knee_of_another_unit(cast, page):
    answering(cast, 5)
    assert page(who="stranger", score=LYSHOLM_TOTAL).context["course"].knees == 0
    assert rows(page("scores_csv", ["course"], who="stranger", score=LYSHOLM_TOTAL)) == []
    assert page(unit="southmere").status_code == 400


# --- many ---------------------------------------------------------------------------------------


def test_same_number_of_queries_at_20_and_2000_knees(cast):
    client, address = cast.client("surgeon"), reverse("scores")

    def queries():
        with CaptureQueriesContext(connection) as captured:
            response = client.get(address, {"score": LYSHOLM_TOTAL, "lines": "knees"})
        return len(captured), response.context["course"]

    answering_in_bulk(cast, 20)
    few, course = queries()
    assert course.knees == 20
    answering_in_bulk(cast, 2000)
    many, course = queries()
    assert course.knees == 2000
    assert few == many <= 10


def test_more_lines_than_can_be_told_apart_are_the_first_by_public_key(cast, page):
    answering_in_bulk(cast, 230)
    response = page(score=LYSHOLM_TOTAL, lines="knees")
    course = response.context["course"]
    later = ScoreResponse.objects.filter(answered_on__gt=factories.OPERATED_ON).order_by("knee__uuid")
    expected = [score.scale_values["total"] for score in later[:200]]
    assert [max(value for value in line if value is not None) for line in course.lines] == [
        max(50.0, value) for value in expected
    ]
    assert course.lines_of == 230
    words = dict(response.context["figures"][0].facts)["In words"]
    assert "Thin lines: 200 of 230 knees with two or more scores, the first by their public keys" in words
