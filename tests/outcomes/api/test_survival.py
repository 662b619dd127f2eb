"""Survival through the API says what the page says, to whoever sees the page, and nothing more."""

import csv
import io
from typing import Any

import pytest
from django.urls import reverse

from outcomes.isolation import ONE_INSIDE
from outcomes.pages.views import VIEWS
from tests import factories
from tests.conftest import Cast
from tests.registry.api.asking import NOBODY, asker

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

PROBLEM = "application/problem+json"


@pytest.fixture
def ten(cast: Cast) -> Cast:
    """Seven repairs in one zone and three in another: four fail, the others are known well at 900 days."""
    for number in range(10):
        zone = "RR" if number < 7 else "RW"
        repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak), vascular_zone=zone)
        if number % 3 == 0:
            factories.a_failure(repair, 100 * (number + 1))
        else:
            factories.a_contact(repair, 900)
    return cast


def survival(cast: Cast, who: str = "surgeon", query: str = "") -> Any:
    answer = asker(getattr(cast, who)).get(f"/survival/{query}")
    assert answer.status_code == 200, answer.content
    return answer.json()


def test_every_step_is_that_of_the_page_at_full_precision(ten: Cast) -> None:
    told = survival(ten, query="?split=zone&which=all")
    page = ten.client("surgeon").get(
        reverse("survival_csv", args=["zone"]), {"which": "all", "split": "zone"}
    )
    rows = list(csv.DictReader(io.StringIO(page.content.decode())))
    steps = [(group["label"], step) for group in told["results"][0]["groups"] for step in group["steps"]]
    assert rows
    assert len(steps) == len(rows)
    for (label, step), row in zip(steps, rows, strict=True):
        assert label == row["group"]
        for name, column in (
            ("day", "day"),
            ("at_risk", "at_risk"),
            ("failures", "failures"),
            ("survival",) * 2,
        ):
            assert float(row[column]) == step[name]
        assert row["lower_95"] == ("" if step["lower"] is None else repr(step["lower"]))


def test_a_result_carries_what_judges_it(ten: Cast) -> None:
    told = survival(ten)
    assert [each["stratum_code"] for each in told["results"]] == ["zone", "acuity", "ligament"]
    assert told["cohort"]["sentence"] == "Primary repairs at Northmere Hospital."
    assert told["definition"]["code"] == "reoperation"
    for result in told["results"]:
        assert (result["n"], result["events"]) == (11, 4)
        assert all(result[name] for name in ("methods", "references", "cautions"))
        assert 0 < result["overall"]["completeness"] <= 1
        assert [point["day"] for point in result["overall"]["landmarks"]] == [365, 730, 1826]


def test_a_group_of_few_is_told_by_counts_alone(ten: Cast) -> None:
    groups = {group["code"]: group for group in survival(ten, query="?split=zone")["results"][0]["groups"]}
    few = groups["RW"]
    assert (few["n"], few["events"], few["is_shown"]) == (3, 1, False)
    kept_back = ("steps", "landmarks", "median_days", "follow_up_days", "completeness", "person_days")
    assert not any(few[name] for name in kept_back)
    assert all(groups["RR"][name] for name in ("is_shown", *kept_back))


def test_landmarks_are_those_asked_for(ten: Cast) -> None:
    overall = survival(ten, query="?landmarks=0,100,5000")["results"][0]["overall"]
    day_0, day_100, never = overall["landmarks"]
    assert (day_0["survival"], day_0["at_risk"]) == (1, 11)
    # The eleventh is known for no day, so one of ten fails on day 100 (Kaplan & Meier 1958).
    assert day_100["survival"] == pytest.approx(9 / 10, abs=1e-12)
    assert never["survival"] is None


@pytest.mark.parametrize(
    ("query", "names"),
    [
        ("?zone=pink", ["?zone"]),
        ("?menicus=medial", ["?menicus"]),
        ("?zone=RR&zone=RW", ["?zone"]),
        ("?since=yesterday&failure=none", ["?failure", "?since"]),
        ("?unit=southmere", ["?unit"]),
        ("?landmarks=1,x", ["?landmarks"]),
        ("?as=failure", ["?as"]),
    ],
)
def test_what_the_address_says_wrongly_is_named(ten: Cast, query: str, names: list[str]) -> None:
    answer = asker(ten.surgeon).get(f"/survival/{query}")
    assert (answer.status_code, answer["Content-Type"]) == (400, PROBLEM)
    told = answer.json()["problems"]
    assert sorted(each["pointer"] for each in told) == names
    assert all(each["detail"] for each in told)


def test_a_cohort_that_would_tell_one_surgeon_is_refused_as_on_the_page(ten: Cast) -> None:
    answer = asker(ten.clinician).get("/survival/?zone=RR")
    assert (answer.status_code, answer.json()["detail"]) == (403, ONE_INSIDE)
    told = survival(ten, "clinician")
    assert told["results"] == []
    assert told["not_split"].startswith("Not split by vascular zone, acuity or concomitant ligament surgery.")


def test_who_sees_no_figures_gets_none(ten: Cast) -> None:
    assert asker(ten.surgeon, "record:read").get("/survival/").json()["type"].endswith("scope_lacking")
    assert NOBODY.get("/survival/").status_code == 401
    stranger = survival(ten, "stranger")
    assert stranger["results"] == []
    assert "Northmere" not in str(stranger)


def test_what_was_read_is_not_sent_again_until_the_record_changes(ten: Cast) -> None:
    program = asker(ten.surgeon)
    tag = program.get("/survival/").headers["ETag"]
    unchanged = program.get("/survival/", If_None_Match=tag)
    assert (unchanged.status_code, unchanged.content) == (304, b"")
    factories.a_repair(factories.an_operation(ten.unit, ten.oak))
    assert program.get("/survival/", If_None_Match=tag).status_code == 200


@pytest.mark.parametrize("view", VIEWS)
def test_each_further_view_gives_the_numbers_of_its_file(ten: Cast, view: str) -> None:
    answer = asker(ten.surgeon).get(f"/survival/{view}/")
    assert answer.status_code == 200, answer.content
    told = answer.json()
    page = ten.client("surgeon").get(reverse("survival_view_csv", args=[view])).content.decode()
    header, *rows = csv.reader(io.StringIO(page))
    assert told["columns"] == header
    assert [["" if row[name] is None else str(row[name]) for name in header] for row in told["rows"]] == rows
    assert [bool(figure["facts"]) for figure in told["told"]] == [True] * max(1, len(told["told"]))


def test_a_view_that_is_none_is_not_found(cast: Cast) -> None:
    assert asker(cast.surgeon).get("/survival/by-surgeon/").status_code == 404


def test_a_view_of_the_whole_takes_no_split(ten: Cast) -> None:
    assert asker(ten.surgeon).get("/survival/lost/?split=zone").status_code == 400
