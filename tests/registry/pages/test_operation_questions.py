"""Soft rules ask about an entry once; the facts that follow from it are told as it is typed."""

from typing import Any

import pytest

from registry.models import IndexProcedure, SoftAnswer
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.controls import controls
from tests.registry.pages.entries import an_operation_entry, text

PATH, FACTS = "/operations/new/", "/operations/facts/"
WHITE_RIM = {"tear-1-rim_zone": "1", "tear-1-vascular_zone": "WW"}
LINE = "answer-zone_1_white_white-1"


def entry(cast: Cast, **changes: str) -> dict[str, Any]:
    return dict(an_operation_entry(cast, cast.surgeon, changes))


def post(cast: Cast, sent: dict[str, Any]) -> Any:
    return cast.client("surgeon").post(PATH, sent)


def asked(cast: Cast, **changes: str) -> dict[str, Any]:
    """The page with its questions, as it would be sent without an answer."""
    response = post(cast, entry(cast, **{**WHITE_RIM, **changes}))
    assert response.status_code == 200
    assert "Nothing is saved yet." in text(response)
    assert not IndexProcedure.objects.filter(bmi="24.5").exists()
    return dict(controls(response))


def test_a_question_is_asked_before_anything_is_saved(cast: Cast) -> None:
    page = text(post(cast, entry(cast, **WHITE_RIM)))
    assert "Before it is recorded: 1 question" in page
    assert "yet the vascular zone is white-white" in page


@pytest.mark.parametrize(
    ("given", "answer"),
    [({f"{LINE}-confirmed": "on"}, "Confirmed"), ({LINE: "Seen twice"}, "Seen twice"), ({}, None)],
)
def test_answered_or_not_it_is_recorded_the_second_time(
    cast: Cast, given: dict[str, str], answer: str | None
) -> None:
    assert post(cast, {**asked(cast), **given}).status_code == 302
    operation = IndexProcedure.objects.get(bmi="24.5")
    kept = SoftAnswer.objects.filter(procedure=operation)
    assert [(each.code, each.tear, each.answer) for each in kept] == (
        [("zone_1_white_white", operation.tears.get(), answer)] if answer else []
    )


def test_what_comes_up_only_with_a_correction_is_asked_too(cast: Cast) -> None:
    sent = asked(cast)
    response = post(cast, {**sent, "operation-staging": "repair_first"})
    assert "Staging is repair now, ligament later" in text(response)
    assert post(cast, dict(controls(response))).status_code == 302


def test_an_answer_does_not_outlive_the_values_it_was_given_to(cast: Cast) -> None:
    assert post(cast, {**asked(cast), f"{LINE}-confirmed": "on"}).status_code == 302
    operation = IndexProcedure.objects.get(bmi="24.5")
    client, path = (
        cast.client("surgeon"),
        f"/knees/{operation.knee.uuid}/operations/{operation.uuid}/correct/",
    )
    sent = dict(controls(client.get(path)))
    assert sent[f"{LINE}-confirmed"] == ["on"]
    changed = {**sent, "tear-1-rim_zone": "3", "tear-1-vascular_zone": "RR", "correction-reason": "Read anew"}
    response = client.post(path, changed)
    assert response.status_code == 200
    again = dict(controls(response))
    assert not {name for name in again if name.endswith("-confirmed")}
    # Unchanged values leave the answer as it was.
    other = {**sent, "operation-bmi": "26", "correction-reason": "Weighed anew"}
    assert client.post(path, other).status_code == 302
    assert SoftAnswer.objects.get(procedure=operation).answer == "Confirmed"


def test_an_answer_given_to_other_words_is_asked_for_anew(cast: Cast) -> None:
    late = {"implant-1-device_identifier": "04012345678901", "implant-1-lot": "L1", "implant-1-count": "1"}
    first = post(cast, entry(cast, **late, **{"implant-1-expires_on": "2024-05-01"}))
    sent = dict(controls(first))
    ticked = "answer-implant_expired-0"
    changed = {**sent, f"{ticked}-confirmed": "on", "implant-1-expires_on": "2024-04-01"}
    response = post(cast, changed)
    assert response.status_code == 200
    assert f"{ticked}-confirmed" not in controls(response)
    assert post(cast, dict(controls(response))).status_code == 302


def test_an_expired_implant_is_asked_about(cast: Cast) -> None:
    implant = {
        "implant-1-device_identifier": "04012345678901",
        "implant-1-lot": "L1",
        "implant-1-expires_on": "2024-05-01",
        "implant-1-count": "1",
    }
    assert "expired before the operation" in text(post(cast, entry(cast, **implant)))


def facts(cast: Cast, **changes: str) -> str:
    response = cast.client("surgeon").post(FACTS, entry(cast, **changes))
    assert response.status_code == 200
    return text(response)


def test_facts_follow_from_what_is_typed(cast: Cast) -> None:
    before = IndexProcedure.objects.count()
    told = facts(
        cast,
        **{
            "operation-acl": "staged",
            "operation-knee_stable": "no",
            "tear-1-rim_width_mm": "4",
            "pass-1-1-number": "5",
            "repair-1-augmentation": "prp",
        },
    )
    for words in (
        "Acute, 12 days",
        "Outside usual indications: not met: knee stable or stabilised",
        "Staged later",
        "ACL torn: how was the posteromedial compartment looked at?",
        "Zone 2 (3 to under 5 mm)",
        "usual 7 to 8 sutures, 5 entered",
        "usual 30 ml of blood",
        'data-propose="operation-staging" value="repair_first"',
        'data-propose="operation-ligament_planned_on" value="2024-08-02"',
        'data-propose="tear-1-displaced" value="true"',
    ):
        assert words in told
    assert IndexProcedure.objects.count() == before


def test_facts_of_an_empty_and_of_a_nonsensical_page(cast: Cast) -> None:
    told = facts(
        cast, **{"operation-operated_on": "yesterday", "tear-1-length_mm": "long", "patient-unit": "x"}
    )
    assert "Unknown" in told
    assert cast.client("surgeon").post(FACTS, {}).status_code == 200
    assert "The injury is dated after the operation" in facts(cast, **{"operation-injured_on": "2024-06-01"})


def test_the_limit_of_varus_is_the_units_own(cast: Cast) -> None:
    beyond = {"operation-alignment_acceptable": "yes", "operation-hka_deg": "-4"}
    assert "deg varus" not in facts(cast, **beyond)
    factories.corrected(cast.unit, hka_limit_deg=3)
    assert "beyond the limit of 3 deg varus" in facts(cast, **beyond)


def test_facts_are_for_who_operates(cast: Cast) -> None:
    assert cast.client("clinician").post(FACTS, {}).status_code == 403
    assert cast.client("surgeon").get(FACTS).status_code == 405
    assert cast.client("nobody").post(FACTS, {}).status_code == 302
