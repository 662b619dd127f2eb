"""An operation through the API: recorded whole or not at all, read, corrected, signed, withdrawn."""

import json
from copy import deepcopy
from typing import Any

import pytest
from django.core import serializers

from registry.models import IndexProcedure, Patient, Repair, SoftAnswer, SuturePass, Tear
from tests import factories
from tests.conftest import Cast
from tests.registry.api.asking import asker
from tests.registry.pages.entries import an_operation_entry

OPERATION: dict[str, Any] = {
    "operated_on": "2024-05-02",
    "injured_on": "2024-04-20",
    "lead_surgeon": "oak",
    "bmi": 24.5,
    "acl": "intact",
    "tears": [
        {
            "meniscus": "medial",
            "pattern": "bucket_handle",
            "vascular_zone": "RW",
            "treatment": "repaired",
            "repair": {"all_inside": True},
        }
    ],
}


def a_patient(cast: Cast, number: str = "NM 0042") -> str:
    body = {"hospital_number": number, "sex": "female", "born_on": "1999-12-31"}
    made = asker(cast.surgeon).post("/patients/", body)
    assert made.status_code == 201, made.content
    return str(made.json()["uuid"])


def an_operation(cast: Cast, **changes: Any) -> dict[str, Any]:
    return {"patient": a_patient(cast), "side": "right", **deepcopy(OPERATION), **changes}


def test_an_operation_sent_is_the_same_on_record_as_one_typed_on_the_page(cast: Cast) -> None:
    sent = asker(cast.surgeon).post("/operations/", an_operation(cast))
    assert sent.status_code == 201, sent.content
    page = an_operation_entry(cast, cast.surgeon, {"patient-hospital_number": "NM 0043"})
    cast.client("surgeon").post("/operations/new/", page)
    typed, programmed = _rows_of(*IndexProcedure.objects.filter(operated_on="2024-05-02").order_by("pk"))
    assert typed == programmed
    assert len(typed) == 3  # operation, tear, repair


def _rows_of(*operations: IndexProcedure) -> list[list[dict[str, Any]]]:
    """The rows of each operation as plain values, without what tells one entry from another."""
    own = {"uuid", "recorded_at", "knee", "procedure", "tear"}
    told = []
    for operation in operations:
        tears = Tear.objects.filter(procedure=operation)
        rows = [operation, *tears, *Repair.objects.filter(tear__in=tears)]
        plain = json.loads(serializers.serialize("json", rows))
        told.append([{k: v for k, v in each["fields"].items() if k not in own} for each in plain])
    return told


def test_what_is_recorded_reads_back_as_it_was_sent(cast: Cast) -> None:
    repair = {
        "all_inside": True,
        "stable_at_end": True,
        "passes": [{"number": 4, "configuration": "vertical", "suture_size": "2-0", "spacing_mm": 2.5}],
    }
    body = an_operation(
        cast,
        tears=[{**OPERATION["tears"][0], "repair": repair}],
        implants=[{"device_identifier": "00012345600012", "lot": "A7", "count": 2}],
        planned_rehabilitation={"brace_weeks": 6},
    )
    read = asker(cast.surgeon).post("/operations/", body).json()
    assert read["bmi"] == 24.5
    assert read["lead_surgeon"] == "oak"
    assert read["unit"] == "northmere"
    assert read["tears"][0]["repair"]["passes"][0]["spacing_mm"] == 2.5
    assert read["implants"][0]["lot"] == "A7"
    assert read["planned_rehabilitation"]["brace_weeks"] == 6
    assert read["signed_at"] is None
    again = asker(cast.surgeon).get(f"/operations/{read['uuid']}/")
    assert again.json() == read


def test_a_wrong_value_deep_inside_is_refused_at_its_pointer_and_nothing_is_saved(cast: Cast) -> None:
    body = an_operation(cast)
    body["tears"] = [*body["tears"], {"meniscus": "lateral", "pattern": "ramp", "treatment": "left"}]
    before = IndexProcedure.objects.count()
    refused = asker(cast.surgeon).post("/operations/", body)
    assert refused.status_code == 422
    assert refused.headers["Content-Type"] == "application/problem+json"
    (problem,) = refused.json()["problems"]
    assert problem["pointer"] == "/tears/1"
    assert "ramp lesions are medial" in problem["detail"]
    assert IndexProcedure.objects.count() == before


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"lead_surgeon": "birch"}, "/lead_surgeon"),
        ({"injured_on": "2024-06-01"}, ""),
        ({"bmi": 900}, "/bmi"),
        ({"acl": None}, "/acl"),
        ({"implants": [{"device_identifier": "123", "lot": "A"}]}, "/implants/0/device_identifier"),
        ({"planned_rehabilitation": {"flexion_limit_deg": 90}}, "/planned_rehabilitation"),
        ({"tears": [{**OPERATION["tears"][0], "repair": None}]}, "/tears/0/repair"),
        ({"tears": []}, "/tears"),
        ({"unit": "southmere"}, "/unit"),
        ({"signed": True}, "/signed"),
    ],
)
@pytest.mark.any_engine
def test_each_rule_is_told_at_its_place(cast: Cast, change: dict[str, Any], pointer: str) -> None:
    refused = asker(cast.surgeon).post("/operations/", an_operation(cast, **change))
    assert refused.status_code == 422, refused.content
    assert [each["pointer"] for each in refused.json()["problems"]] == [pointer]


def test_what_the_record_asks_is_told_by_code_and_kept_with_its_answer(cast: Cast) -> None:
    body = an_operation(cast)
    body["tears"][0] = {**body["tears"][0], "displaced": False}
    asked = asker(cast.surgeon).post("/operations/", body)
    assert asked.status_code == 422
    assert asked.json()["type"].endswith("questions")
    (question,) = asked.json()["questions"]
    assert (question["code"], question["tear_number"]) == ("bucket_handle_in_place", 1)
    answer = {"code": question["code"], "tear_number": 1, "answer": "Reduced before the portal"}
    recorded = asker(cast.surgeon).post("/operations/", {**body, "answers": [answer]})
    assert recorded.status_code == 201, recorded.content
    assert recorded.json()["answers"] == [answer]
    assert SoftAnswer.objects.get().answer == "Reduced before the portal"


def test_an_empty_answer_records_without_one(cast: Cast) -> None:
    body = an_operation(cast, answers=[{"code": "bucket_handle_in_place", "tear_number": 1, "answer": ""}])
    body["tears"][0] = {**body["tears"][0], "displaced": False}
    assert asker(cast.surgeon).post("/operations/", body).status_code == 201
    assert not SoftAnswer.objects.exists()


def test_a_field_is_corrected_for_a_reason_once_the_note_is_signed(cast: Cast) -> None:
    program = asker(cast.surgeon)
    path = f"/operations/{cast.repair.tear.procedure.uuid}/"
    assert program.patch(path, {"bmi": 27, "acl": "left"}).status_code == 200  # not signed: no reason asked
    signed = program.act(path, "signature")
    assert signed.status_code == 200
    assert signed.json()["signed_at"]
    refused = program.patch(path, {"bmi": 28})
    assert refused.status_code == 422
    assert refused.json()["problems"][0]["pointer"] == "/correction_reason"
    corrected = program.patch(path, {"bmi": 28, "correction_reason": "Misread"})
    assert corrected.json()["bmi"] == 28.0
    assert corrected.json()["acl"] == "left"
    history = program.get(f"{path}history/").json()["changes"]
    assert [each["kind"] for each in history] == ["corrected", "signed", "corrected"]
    assert history[-1]["reason"] == "Misread"


def test_a_tear_and_its_repair_are_corrected_by_the_address_of_the_tear(cast: Cast) -> None:
    program, path = asker(cast.surgeon), f"/tears/{cast.repair.tear.uuid}/"
    change = {
        "length_mm": 18,
        "repair": {"inside_out": True, "passes": [{"number": 3, "configuration": "vertical"}]},
        "correction_reason": "Note read again",
    }
    corrected = program.patch(path, change)
    assert corrected.status_code == 200, corrected.content
    assert corrected.json()["length_mm"] == 18
    assert corrected.json()["repair"]["all_inside"] is True
    assert corrected.json()["repair"]["inside_out"] is True
    assert SuturePass.objects.get().number == 3
    spoilt = program.patch(path, {"repair": {"augmentation": "none", "tunnels": 9}})
    assert [each["pointer"] for each in spoilt.json()["problems"]] == ["/repair/tunnels"]


def test_a_tear_repaired_before_has_to_be_said_new_or_its_return(cast: Cast) -> None:
    body = {**OPERATION, "knee": str(cast.knee.uuid), "operated_on": "2025-01-10"}
    refused = asker(cast.surgeon).post("/operations/", body)
    assert [each["pointer"] for each in refused.json()["problems"]] == ["/tears/0/revises"]
    tear = {**OPERATION["tears"][0], "revises": str(cast.repair.tear.uuid)}
    again = asker(cast.surgeon).post("/operations/", {**body, "tears": [tear]})
    assert again.status_code == 201, again.content
    assert again.json()["tears"][0]["revises"] == str(cast.repair.tear.uuid)


def test_an_operation_is_withdrawn_with_its_parts_and_brought_back(cast: Cast) -> None:
    program, path = asker(cast.surgeon), f"/operations/{cast.repair.tear.procedure.uuid}/"
    withdrawn = program.act(path, "withdrawal", {"reason": "Wrong patient"})
    assert withdrawn.status_code == 200, withdrawn.content
    assert withdrawn.json()["withdrawn_at"]
    assert not Repair.objects.exists()
    assert program.get("/operations/").json()["items"] == []
    assert program.patch(path, {"bmi": 30}).status_code == 409
    back = program.act(path, "reinstatement", {"reason": "It was the right one"})
    assert back.json()["withdrawn_at"] is None
    assert Repair.objects.count() == 1
    assert program.act(path, "reinstatement", {"reason": "Again"}).status_code == 409


def test_what_stands_in_the_way_of_a_withdrawal_is_told(cast: Cast) -> None:
    factories.a_contact(cast.repair, 100)
    path = f"/operations/{cast.repair.tear.procedure.uuid}/"
    refused = asker(cast.surgeon).act(path, "withdrawal", {"reason": "Wrong patient"})
    assert refused.status_code == 422
    assert "would lie before the first operation" in refused.json()["detail"]


@pytest.mark.any_engine
def test_only_who_led_or_repaired_signs(cast: Cast) -> None:
    path = f"/operations/{cast.repair.tear.procedure.uuid}/"
    assert asker(cast.colleague).act(path, "signature").status_code == 403
    assert asker(cast.surgeon).act(path, "signature").status_code == 200
    assert asker(cast.surgeon).act(path, "signature").status_code == 409


def test_a_hospital_number_is_taken_once_and_finds_its_patient(cast: Cast) -> None:
    uuid = a_patient(cast)
    again = asker(cast.surgeon).post(
        "/patients/", {"hospital_number": "nm0042", "sex": "male", "born_on": "2000-01-01"}
    )
    assert again.status_code == 409
    assert Patient.objects.filter(uuid=uuid).count() == 1
    found = asker(cast.clinician).post("/patients/find/", {"hospital_number": " nm 0042"})
    assert [each["uuid"] for each in found.json()["items"]] == [uuid]
    assert asker(cast.stranger).post("/patients/find/", {"hospital_number": "NM 0042"}).json() == {
        "items": []
    }
