"""Cohorts through the API: named once, shared and dropped by who has seen them, told as pages tell them."""

from typing import Any

import pytest

from outcomes.isolation import ONE_INSIDE
from outcomes.models import CohortVersion, NamedCohort
from outcomes.naming import name_cohort
from tests import factories
from tests.conftest import Cast
from tests.registry.api.asking import Asker, asker

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

MEDIAL: dict[str, Any] = {"name": "Medial", "filters": {"meniscus": "medial", "failure": "any"}}


@pytest.fixture
def program(cast: Cast) -> Asker:
    return asker(cast.surgeon)


def made(program: Asker, **changes: Any) -> Any:
    answer = program.post("/cohorts/", {**MEDIAL, **changes})
    assert answer.status_code == 201, answer.content
    return answer.json()


def at(cohort: Any) -> str:
    return f"/cohorts/{cohort['uuid']}/"


def test_a_cohort_is_kept_as_the_page_keeps_it(cast: Cast, program: Asker) -> None:
    told = made(program, shared_with="northmere")
    named = NamedCohort.objects.get()
    assert (named.name, named.query, named.definition) == ("Medial", {"meniscus": "medial"}, "any")
    assert (named.made_by, named.shared_with) == (cast.surgeon, cast.unit)
    assert told["sentence"] == "Primary repairs of the medial meniscus at Northmere Hospital."
    assert told["filters"] == {"meniscus": "medial", "failure": "any"}
    assert program.get(at(told)).json() == told
    assert asker(cast.clinician).get(at(told)).json() == {**told, "is_own": False}


def test_the_same_request_sent_again_names_nothing_twice(program: Asker) -> None:
    first = program.post("/cohorts/", MEDIAL, Idempotency_Key="k-1")
    again = program.post("/cohorts/", MEDIAL, Idempotency_Key="k-1")
    assert again.headers["Idempotent-Replayed"] == "true"
    assert first.headers["Location"] == again.headers["Location"]
    assert NamedCohort.objects.count() == 1
    other = program.post("/cohorts/", {**MEDIAL, "name": "Other"}, Idempotency_Key="k-1")
    assert (other.status_code, NamedCohort.objects.count()) == (422, 1)
    assert program.post("/cohorts/", MEDIAL, Idempotency_Key="").status_code == 428


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"name": " "}, "/name"),
        ({"filters": {"zone": "pink"}}, "/filters"),
        ({"filters": {"colour": "red"}}, "/filters"),
        ({"filters": {"unit": "southmere"}}, "/filters"),
        ({"filters": {"meniscus": None}}, "/filters/meniscus"),
        ({"shared_with": "southmere"}, "/shared_with"),
        ({"colour": "red"}, "/colour"),
    ],
)
def test_what_is_wrong_is_named_and_nothing_kept(program: Asker, change: Any, pointer: str) -> None:
    answer = program.post("/cohorts/", {**MEDIAL, **change})
    assert answer.status_code == 422, answer.content
    assert [each["pointer"] for each in answer.json()["problems"]] == [pointer]
    assert not NamedCohort.objects.exists()


def test_a_name_taken_is_refused(program: Asker) -> None:
    made(program)
    answer = program.post("/cohorts/", {**MEDIAL, "name": "medial"})
    assert (answer.status_code, answer.json()["problems"][0]["pointer"]) == (422, "/name")


def test_a_version_tells_its_counts_of_then_and_today(cast: Cast, program: Asker) -> None:
    cohort = made(program)
    factories.a_repair(factories.an_operation(cast.unit, cast.oak))
    version = program.get(f"{at(cohort)}versions/1/").json()
    assert [(step["code"], step["remaining"]) for step in version["flow"]] == [
        ("assessed", 1),
        ("which", 1),
        ("meniscus", 1),
    ]
    assert (version["members"], version["since"]) == (1, {"joined": 1, "left": 0})
    assert version["today"][-1]["remaining"] == 2


def test_new_filters_become_the_next_version(cast: Cast, program: Asker) -> None:
    cohort = made(program, shared_with="northmere")
    sent = {"filters": {"meniscus": "lateral"}}
    answer = program.post(f"{at(cohort)}versions/", sent)
    assert (answer.status_code, answer.json()["number"]) == (201, 2), answer.content
    assert answer.headers["Location"].endswith(f"{at(cohort)}versions/2/")
    assert [each["number"] for each in program.get(f"{at(cohort)}versions/").json()["items"]] == [1, 2]
    assert program.get(at(cohort)).json()["version"] == 2
    assert program.post(f"{at(cohort)}versions/", sent).status_code == 422
    assert asker(cast.clinician).post(f"{at(cohort)}versions/", MEDIAL).status_code == 403
    assert CohortVersion.objects.count() == 2


def test_counts_that_would_tell_one_surgeon_are_not_told(cast: Cast) -> None:
    cohort = made(asker(cast.clinician))
    version = asker(cast.clinician).get(f"{at(cohort)}versions/1/").json()
    assert version["not_counted"] == ONE_INSIDE
    assert not any(version[name] for name in ("flow", "today", "since", "members", "record_version"))


def test_sharing_needs_the_state_that_was_seen(cast: Cast, program: Asker) -> None:
    cohort = made(program)
    shared = {"shared_with": "northmere"}
    assert program.patch(at(cohort), shared, If_Match="").status_code == 428
    assert program.patch(at(cohort), shared, If_Match='"old"').status_code == 412
    assert program.patch(at(cohort), {"shared_with": "southmere"}).status_code == 422
    assert NamedCohort.objects.get().shared_with is None
    assert program.patch(at(cohort), shared).json()["shared_with"] == "northmere"
    # Seen by all of the unit from now on, changed by its maker alone.
    clinician = asker(cast.clinician)
    assert clinician.patch(at(cohort), {"shared_with": None}).status_code == 403
    assert program.patch(at(cohort), {"shared_with": None}).json()["shared_with"] is None
    assert clinician.get(at(cohort)).status_code == 404


def test_a_name_is_dropped_by_who_has_seen_it(program: Asker) -> None:
    cohort = made(program)
    assert program.delete(at(cohort), If_Match="").status_code == 428
    assert program.delete(at(cohort), If_Match='"old"').status_code == 412
    assert NamedCohort.objects.exists()
    assert program.delete(at(cohort)).status_code == 204
    assert not NamedCohort.objects.exists()


def test_a_stranger_and_a_key_without_the_scope_change_nothing(cast: Cast, program: Asker) -> None:
    cohort = made(program, shared_with="northmere")
    stranger = asker(cast.stranger)
    assert stranger.get(at(cohort)).status_code == 404
    assert stranger.get("/cohorts/").json() == {"items": [], "next": None}
    assert stranger.delete(at(cohort)).status_code == 404
    reader = asker(cast.surgeon, "figures:read")
    assert reader.delete(at(cohort)).json()["type"].endswith("scope_lacking")
    assert asker(cast.coordinator).get(at(cohort)).status_code == 200
    assert NamedCohort.objects.exists()


def test_a_long_list_comes_in_pages(cast: Cast, program: Asker) -> None:
    for number in range(5):
        name_cohort(cast.surgeon, f"cohort {number}", {})
    names, path = [], "/cohorts/?limit=2"
    while path:
        page = program.get(path).json()
        names += [each["name"] for each in page["items"]]
        path = (page["next"] or "").partition("/api/v1")[2]
    assert names == [f"cohort {number}" for number in range(5)]
