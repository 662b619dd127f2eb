"""Every refusal is problem details (RFC 9457), and no input whatever is answered by a defect."""

from typing import Any

import pytest
from django.test import Client

from registry.models import Visit
from tests import factories
from tests.conftest import Cast
from tests.registry.api.asking import READ, V1, asker

pytestmark = pytest.mark.any_engine
DEEP = "[" * 100_000


def is_problem(response: Any, status: int) -> dict[str, Any]:
    assert response.status_code == status, response.content
    assert response.headers["Content-Type"] == "application/problem+json"
    told: dict[str, Any] = response.json()
    # The members of RFC 9457, section 3.1.
    assert {"type", "title", "status", "detail"} <= set(told)
    assert told["status"] == status
    return told


@pytest.mark.parametrize("path", ["/nothing/", "/knees", "/knees/no-uuid/", "//", "/operations/..%2f/"])
def test_an_address_that_leads_nowhere(cast: Cast, path: str) -> None:
    for method in ("get", "post", "delete"):
        is_problem(getattr(Client(), method)(V1 + path), 404)


def test_methods_forms_and_sizes_that_are_not_taken(cast: Cast) -> None:
    program = asker(cast.surgeon)
    headers = {"Authorization": f"Bearer {program.text}", "Idempotency-Key": "k"}
    client, path = Client(headers=headers), f"{V1}/visits/"
    is_problem(client.delete(path), 405)
    is_problem(client.get(path, headers={"Accept": "text/csv"}), 406)
    is_problem(client.post(path, {"a": "b"}), 415)
    is_problem(client.post(path, "a=b", content_type="text/plain"), 415)
    is_problem(client.post(path, b" " * 1_000_001, content_type="application/json"), 413)


@pytest.mark.parametrize(
    "body",
    [
        b"{",
        b"\xff\xfe",
        b'{"knee": NaN}',
        b'{"knee": 1e999}',
        b'{"knee": "a\\u0000b"}',
        b'{"knee": "\\ud800"}',
        b'{"\\udfff": 1}',
        b'{"knee": 1, "knee": 2}',
        DEEP.encode(),
        b'{"a": ' + b"[" * 20 + b"]" * 20 + b"}",
        b"9" * 5000,
        b"",
    ],
)
def test_a_body_that_is_no_plain_json(cast: Cast, body: bytes) -> None:
    headers = {"Authorization": f"Bearer {asker(cast.surgeon).text}", "Idempotency-Key": "k"}
    sent = Client(headers=headers).post(f"{V1}/visits/", body, content_type="application/json")
    is_problem(sent, 400 if body else 422)
    assert not Visit.objects.exists()


@pytest.mark.parametrize("value", [None, [[{}]], {}, "x", 10**30, "9" * 400])
def test_values_of_every_wrong_kind_in_every_field(cast: Cast, value: Any) -> None:
    program = asker(cast.surgeon)
    bodies = {
        "/operations/": (
            "knee",
            "patient",
            "side",
            "tears",
            "implants",
            "bmi",
            "operated_on",
            "lead_surgeon",
        ),
        "/scores/": ("knee", "instrument", "items", "answered_on"),
        "/second-looks/": ("findings", "answers", "looked_on", "reason"),
        "/ends-of-follow-up/": ("patient", "attempts"),
        "/patients/": ("hospital_number", "sex", "born_on"),
    }
    for path, fields in bodies.items():
        for field in fields:
            is_problem(program.post(path, {field: value}), 422)
        is_problem(program.post(path, [value]), 422)
    tear = {"meniscus": value, "repair": value, "revises": value}
    is_problem(program.post("/operations/", {"knee": str(cast.knee.uuid), "tears": [tear]}), 422)


def test_a_problem_says_where_what_and_which_rule_but_never_who(cast: Cast) -> None:
    body = {"hospital_number": "NM 0099" * 20, "sex": "neither", "born_on": "2999-01-01"}
    told = is_problem(asker(cast.surgeon).post("/patients/", body), 422)
    by_pointer = {each["pointer"]: each for each in told["problems"]}
    assert set(by_pointer) == {"/hospital_number", "/sex", "/born_on"}
    assert by_pointer["/sex"]["value"] == "neither"
    assert "lies in the future" in by_pointer["/born_on"]["detail"]
    assert by_pointer["/hospital_number"]["value"] is None
    assert "NM 0099" not in str(told)


@pytest.mark.parametrize(
    "query",
    ["limit=0", "limit=201", "limit=x", "cursor=x", "cursor=YWZ0ZXI6LTE", "knee=x", "changed_since=x"],
)
def test_a_wrong_parameter_of_a_list_is_named(cast: Cast, query: str) -> None:
    told = is_problem(asker(cast.surgeon).get(f"/visits/?{query}"), 400)
    assert told["problems"][0]["pointer"] == f"?{query.split('=')[0]}"


def test_a_lacking_scope_is_named(cast: Cast) -> None:
    told = is_problem(asker(cast.surgeon, READ).post("/visits/", {}), 403)
    assert "record:write" in told["detail"]
    assert told["type"].endswith("scope_lacking")


def test_what_the_database_alone_refuses_is_told_in_words(cast: Cast) -> None:
    factories.a_contact(cast.repair, 90)
    body = {"died_on": "2024-03-02", "correction_reason": "Heard of"}
    told = is_problem(asker(cast.surgeon).patch(f"/patients/{cast.knee.patient.uuid}/", body), 422)
    assert told["problems"][0]["pointer"] == "/died_on"
