"""What happens to a knee, through the API: every kind is recorded, corrected, withdrawn, brought back."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from registry.api.urls import EVENTS
from registry.models import Identity, ScoreResponse, Visit
from registry.recording import record
from tests import factories
from tests.conftest import Cast
from tests.registry.api.asking import READ, V1, asker

# Of each kind of the document's examples: a field to correct, and what it becomes.
CORRECTED: dict[str, tuple[str, Any]] = {
    "visits": ("flexion_deg", 130),
    "second-looks": ("reason", "protocol"),
    "imaging": ("modality", "ct_arthrogram"),
    "reoperations": ("planned", True),
    "complications": ("severity", "II"),
    "contacts": ("source", "letter"),
    "ends-of-follow-up": ("reason", "withdrew"),
    "scores": ("items", {"percent": 60}),
}


def example_of(cast: Cast, slug: str) -> dict[str, Any]:
    """The example that the document shows, said of the cast's knee."""
    event = next(each for each in EVENTS if each.slug == slug)
    body = dict(event.example or {})
    whose = "patient" if "patient" in body else "knee"
    body[whose] = str(cast.knee.patient.uuid if whose == "patient" else cast.knee.uuid)
    if "findings" in body:
        body["findings"] = [{**each, "tear": str(cast.repair.tear.uuid)} for each in body["findings"]]
    return body


@pytest.mark.parametrize("slug", CORRECTED)
def test_every_kind_goes_its_whole_way(cast: Cast, slug: str) -> None:
    program, body = asker(cast.clinician), example_of(cast, slug)
    made = program.post(f"/{slug}/", body)
    assert made.status_code == 201, made.content
    assert said(made.json(), body) == body
    path = made.headers["Location"].removeprefix(V1)
    name, value = CORRECTED[slug]
    unreasoned = program.patch(path, {name: value})
    assert [each["pointer"] for each in unreasoned.json()["problems"]] == ["/correction_reason"]
    corrected = program.patch(path, {name: value, "correction_reason": "Read again"})
    assert corrected.status_code == 200, corrected.content
    assert corrected.json() == {**made.json(), **derived(corrected.json()), name: value}
    assert program.act(path, "withdrawal", {"reason": ""}).status_code == 422
    assert program.act(path, "withdrawal", {"reason": "Another knee"}).json()["withdrawn_at"]
    assert program.get(f"/{slug}/").json()["items"] == []
    assert program.act(path, "reinstatement", {"reason": "This knee"}).json() == corrected.json()
    kinds = [each["kind"] for each in program.get(f"{path}history/").json()["changes"]]
    assert kinds[0] == "corrected"
    assert kinds[-1] == "reinstated"


def said(read: Any, sent: Any) -> Any:
    """Of what is read, the part that was sent."""
    if isinstance(sent, dict):
        return {name: said(read[name], value) for name, value in sent.items()}
    return [said(*each) for each in zip(read, sent, strict=True)] if isinstance(sent, list) else read


def derived(read: dict[str, Any]) -> dict[str, Any]:
    return {name: read[name] for name in ("scale_values", "clinically_healed") if name in read}


def test_there_is_a_case_of_every_kind() -> None:
    assert set(CORRECTED) == {each.slug for each in EVENTS}


def test_a_score_comes_back_with_its_values(cast: Cast) -> None:
    made = asker(cast.surgeon).post("/scores/", example_of(cast, "scores")).json()
    assert made["scale_values"] == {"total": 85.0}
    assert made["instrument_version"] == ScoreResponse.objects.get().instrument_version


@pytest.mark.any_engine
@pytest.mark.parametrize(
    ("slug", "change", "pointer"),
    [
        ("visits", {"seen_on": "2020-01-01"}, "/seen_on"),
        ("visits", {"flexion_deg": 300}, "/flexion_deg"),
        ("scores", {"items": {"percent": 101}}, "/items/percent"),
        ("scores", {"items": {"other": 1}}, "/items/other"),
        ("scores", {"items": {}}, ""),
        ("scores", {"instrument_version": "0"}, "/instrument_version"),
        ("ends-of-follow-up", {"reason": "lost"}, ""),
        ("complications", {"resolved_on": "2024-05-01"}, ""),
        ("imaging", {"findings": [{"tear": "5f0c9d0e-6f0b-4d53-9a3e-0a5a2f7e9b11"}]}, "/findings/0/tear"),
    ],
)
def test_each_rule_is_told_at_its_place(cast: Cast, slug: str, change: dict[str, Any], pointer: str) -> None:
    refused = asker(cast.surgeon).post(f"/{slug}/", {**example_of(cast, slug), **change})
    assert refused.status_code == 422, refused.content
    assert [each["pointer"] for each in refused.json()["problems"]] == [pointer]


@pytest.mark.any_engine
def test_a_finding_out_of_range_is_told_at_its_place(cast: Cast) -> None:
    body = example_of(cast, "second-looks")
    body["findings"][0]["healed_length_percent"] = 101
    refused = asker(cast.surgeon).post("/second-looks/", body)
    assert [each["pointer"] for each in refused.json()["problems"]] == ["/findings/0/healed_length_percent"]


def test_a_second_look_asks_before_it_takes_what_rarely_stands_together(cast: Cast) -> None:
    body = example_of(cast, "second-looks")
    body["findings"][0]["stable_on_probing"] = False
    asked = asker(cast.surgeon).post("/second-looks/", body).json()
    (question,) = asked["questions"]
    assert (question["code"], question["tear"]) == ("healed_yet_unstable", str(cast.repair.tear.uuid))
    answer = {"code": question["code"], "tear": question["tear"], "answer": "As seen"}
    made = asker(cast.surgeon).post("/second-looks/", {**body, "answers": [answer]})
    assert made.json()["answers"] == [answer]
    assert made.json()["findings"][0]["healing_class"] == "healed"


def test_a_visit_without_a_time_point_gets_that_of_its_day(cast: Cast) -> None:
    made = asker(cast.surgeon).post("/visits/", example_of(cast, "visits"))
    assert made.json()["time_point"] == Visit.objects.get().time_point == "6m"


def test_a_list_goes_on_page_by_page_and_misses_none(cast: Cast) -> None:
    made = [str(factories.a_contact(cast.repair, days).uuid) for days in range(100, 105)]
    program = asker(cast.audit_lead)
    pages = list(_pages(program, "/contacts/?limit=2"))
    assert [len(page) for page in pages] == [2, 2, 1]
    assert [each["uuid"] for page in pages for each in page] == made


def _pages(program: Any, path: str) -> Iterator[list[dict[str, Any]]]:
    while path:
        page = program.get(path).json()
        yield page["items"]
        path = (page["next"] or "").partition(V1)[2]


def test_a_list_of_one_knee_and_of_what_changed_since(cast: Cast) -> None:
    factories.a_contact(cast.repair, 100)
    old, other = factories.a_contact(cast.repair, 101), factories.an_operation(cast.unit, cast.oak)
    program = asker(cast.surgeon)
    assert len(program.get(f"/contacts/?knee={cast.knee.uuid}").json()["items"]) == 2
    assert program.get(f"/contacts/?knee={other.knee.uuid}").json()["items"] == []
    since = timezone.now()
    later = (since + timedelta(seconds=1)).isoformat().replace("+", "%2B")
    factories.withdrawn(old)
    moved = program.get(f"/contacts/?changed_since={since.isoformat().replace('+', '%2B')}").json()["items"]
    assert [each["uuid"] for each in moved] == [str(old.uuid)]
    assert moved[0]["withdrawn_at"]
    assert program.get(f"/contacts/?changed_since={later}").json()["items"] == []


@pytest.mark.any_engine
@pytest.mark.parametrize("slug", ["operations", "contacts", "second-looks", "patients", "knees"])
def test_a_list_costs_as_many_queries_however_long_it_is(cast: Cast, slug: str) -> None:
    program = asker(cast.surgeon, READ)

    def queries() -> int:
        program.get(f"/{slug}/")
        with CaptureQueriesContext(
            connection,
        ) as asked:
            assert program.get(f"/{slug}/").json()["items"]
        return len(asked)

    _more(cast, 100)
    few = queries()
    for days in range(101, 104):
        _more(cast, days)
    assert queries() == few


def _more(cast: Cast, days: int) -> None:
    repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak))
    factories.a_contact(repair, days)
    body = {
        "knee": str(repair.tear.procedure.knee.uuid),
        "looked_on": "2025-01-15",
        "reason": "symptoms",
        "findings": [{"tear": str(repair.tear.uuid), "stable_on_probing": True}],
    }
    assert asker(cast.surgeon).post("/second-looks/", body).status_code == 201


def test_no_answer_carries_who_a_patient_is(cast: Cast) -> None:
    secrets = {name: f"canary-{name}" for name in Identity.FIELDS}
    person = {"sex": "female", "born_on": "1999-12-31", **secrets, "email": "canary-email@example.org"}
    program = asker(cast.surgeon)
    answers = [program.post("/patients/", person), program.post("/patients/", person)]
    patient = f"/patients/{answers[0].json()['uuid']}/"
    record(Identity.sealed(cast.knee.patient, **secrets | {"hospital_number": "canary-other"}))
    answers.append(program.post("/patients/find/", {"hospital_number": "canary-other"}))
    assert len(answers[-1].json()["items"]) == 1
    answers.append(program.patch(patient, {"sex": "other", "correction_reason": "Asked"}))
    answers += [program.get(path) for path in ("/patients/", "/knees/", "/operations/", patient)]
    for answer in answers:
        assert "canary" not in answer.content.decode() + str(answer.headers)
