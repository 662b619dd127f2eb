"""Correct an operation: the page filled from the record; what changes leaves its history, all or nothing."""

from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from registry.models import (
    Correction,
    Draft,
    Implant,
    IndexProcedure,
    Rehabilitation,
    Repair,
    SoftAnswer,
    SuturePass,
    Tear,
)
from registry.recording import record, sign
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.controls import Sent, controls
from tests.registry.pages.entries import text


@pytest.fixture
def operation(cast: Cast) -> IndexProcedure:
    """The cast's operation, unsigned, with passes, an implant and a plan."""
    procedure = cast.repair.tear.procedure
    record(
        SuturePass(repair=cast.repair, number=4, configuration="vertical"),
        SuturePass(repair=cast.repair, number=2, configuration="oblique"),
        Implant(procedure=procedure, device_identifier="04012345678901", lot="L1"),
        Rehabilitation(procedure=procedure, course="planned", brace_weeks=6),
    )
    return procedure


def path(operation: IndexProcedure) -> str:
    return f"/knees/{operation.knee.uuid}/operations/{operation.uuid}/correct/"


def opened(cast: Cast, operation: IndexProcedure, who: str = "surgeon") -> Sent:
    return controls(cast.client(who).get(path(operation)))


def send(
    cast: Cast, operation: IndexProcedure, sent: dict[str, Any], who: str = "surgeon", **changes: str
) -> Any:
    return cast.client(who).post(path(operation), {**sent, **changes})


def press(cast: Cast, operation: IndexProcedure, sent: Sent, button: str) -> Sent:
    return controls(send(cast, operation, sent, do=button))


def kinds() -> list[tuple[str, str]]:
    """Kind and table of every correction, in order."""
    made = Correction.objects.order_by("pk").values_list("kind", "row_table")
    return [(kind, table.removeprefix("registry_")) for kind, table in made]


def test_the_page_opens_filled_from_the_record(cast: Cast, operation: IndexProcedure) -> None:
    sent = opened(cast, operation)
    expected = {
        "operation-operated_on": "2024-03-01",
        "operation-acl": "intact",
        "tear-1-pattern": "longitudinal",
        "tear-1-row": str(cast.repair.tear.pk),
        "repair-1-all_inside": "on",
        "pass-1-2-configuration": "oblique",
        "implant-1-lot": "L1",
        "planned-brace_weeks": "6",
    }
    assert {name: sent[name] for name in expected} == {name: [value] for name, value in expected.items()}


def test_sent_as_it_came_nothing_is_changed(cast: Cast, operation: IndexProcedure) -> None:
    assert send(cast, operation, opened(cast, operation)).status_code == 302
    assert kinds() == []


def test_each_change_leaves_what_stood_before(cast: Cast, operation: IndexProcedure) -> None:
    changes = {
        "operation-bmi": "27.5",
        "tear-1-length_mm": "18",
        "repair-1-inside_out": "on",
        "pass-1-1-number": "5",
        "implant-1-lot": "L2",
        "planned-brace_weeks": "8",
    }
    response = send(cast, operation, opened(cast, operation), **changes)
    assert response.headers["Location"] == f"/knees/{operation.knee.uuid}/"
    assert {kind for kind, _ in kinds()} == {"corrected"}
    assert sorted(table for _, table in kinds()) == [
        "implant",
        "indexprocedure",
        "rehabilitation",
        "repair",
        "suturepass",
        "tear",
    ]
    assert set(Correction.objects.values_list("reason", flat=True)) == {"Before signing"}
    assert len(set(Correction.objects.values_list("act", flat=True))) == 1
    operation.refresh_from_db()
    assert float(operation.bmi or 0) == 27.5


def test_a_signed_note_is_corrected_with_a_reason(cast: Cast, operation: IndexProcedure) -> None:
    sign(operation, cast.surgeon)
    sent = opened(cast, operation)
    response = send(cast, operation, sent, **{"operation-bmi": "27.5"})
    assert response.status_code == 422
    assert kinds() == [("signed", "indexprocedure")]
    send(cast, operation, sent, **{"operation-bmi": "27.5", "correction-reason": "Weighed again"})
    assert Correction.objects.latest("pk").reason == "Weighed again"


def test_a_card_added(cast: Cast, operation: IndexProcedure) -> None:
    sent = press(cast, operation, opened(cast, operation), "add-tear")
    second = {"tear-2-meniscus": "lateral", "tear-2-pattern": "radial", "tear-2-treatment": "repaired"}
    send(cast, operation, sent, **second, **{"repair-2-inside_out": "on"})
    assert [tear.pattern for tear in operation.tears.order_by("pk")] == ["longitudinal", "radial"]
    assert kinds() == [("added", "tear"), ("added", "repair")]


def test_a_card_removed_is_withdrawn_with_all_its_parts(cast: Cast, operation: IndexProcedure) -> None:
    factories.a_repair(operation, pattern="radial")
    sent = press(cast, operation, opened(cast, operation), "remove-tear-1")
    send(cast, operation, sent)
    assert [tear.pattern for tear in operation.tears.all()] == ["radial"]
    assert not SuturePass.objects.exists()
    assert not Repair.objects.filter(pk=cast.repair.pk).exists()
    assert Tear.ever.filter(procedure=operation).count() == 2


def test_a_tear_that_came_back_later_is_not_withdrawn(cast: Cast, operation: IndexProcedure) -> None:
    again = factories.an_operation(
        cast.unit, cast.oak, cast.knee, operated_on=date(2024, 9, 1), injured_on=None
    )
    factories.a_repair(again, revises=cast.repair.tear)
    factories.a_repair(operation, pattern="radial")
    sent = press(cast, operation, opened(cast, operation), "remove-tear-1")
    response = send(cast, operation, sent, **{"operation-bmi": "27.5"})
    assert response.status_code == 422
    assert "It cannot be withdrawn yet: the" in text(response)
    assert operation.tears.count() == 2
    operation.refresh_from_db()
    assert operation.bmi is None


def test_a_repair_given_up_and_brought_back_is_one_row(cast: Cast, operation: IndexProcedure) -> None:
    send(cast, operation, opened(cast, operation), **{"tear-1-treatment": "removed"})
    assert not Repair.objects.exists()
    assert operation.tears.get().treatment == "removed"
    sent = press(cast, operation, opened(cast, operation), "add-pass-1")
    back = {"tear-1-treatment": "repaired", "pass-1-1-number": "3", "pass-1-1-configuration": "hybrid"}
    assert send(cast, operation, sent, **back, **{"repair-1-all_inside": "on"}).status_code == 302
    repair = Repair.objects.get()
    assert repair.pk == cast.repair.pk
    assert [each.number for each in repair.passes.all()] == [3]


def test_a_row_of_passes_and_an_implant_removed(cast: Cast, operation: IndexProcedure) -> None:
    sent = press(cast, operation, opened(cast, operation), "remove-pass-1-1")
    sent = press(cast, operation, sent, "remove-implant-1")
    send(cast, operation, sent, **{"planned-brace_weeks": ""})
    assert [each.configuration for each in cast.repair.passes.all()] == ["oblique"]
    assert not operation.implants.exists()
    assert not operation.rehabilitation.exists()
    assert {kind for kind, _ in kinds()} == {"withdrawn"}


def test_what_somebody_else_changed_meanwhile_is_shown_and_nothing_lost(
    cast: Cast, operation: IndexProcedure
) -> None:
    mine = opened(cast, operation)
    theirs = opened(cast, operation, "colleague")
    theirs = controls(send(cast, operation, theirs, "colleague", do="add-tear"))
    second = {"tear-2-meniscus": "lateral", "tear-2-pattern": "radial", "tear-2-treatment": "left"}
    send(cast, operation, theirs, "colleague", **second, **{"operation-smoking": "never"})
    response = send(cast, operation, mine, **{"operation-bmi": "27.5"})
    assert response.status_code == 409
    page = text(response)
    assert "Somebody else changed this while you had it open." in page
    operation.refresh_from_db()
    assert operation.bmi is None
    again = controls(response)
    assert (again["operation-bmi"], again["operation-smoking"]) == (["27.5"], ["never"])
    # Their tear is on the page now, so that sending it again does not take it out.
    assert again["tear-2-pattern"] == ["radial"]
    assert send(cast, operation, again).status_code == 302
    operation.refresh_from_db()
    assert (float(operation.bmi or 0), operation.smoking, operation.tears.count()) == (27.5, "never", 2)


def test_a_part_that_somebody_else_took_out_stands_on_the_page_as_a_new_one(
    cast: Cast, operation: IndexProcedure
) -> None:
    factories.a_repair(operation, pattern="radial")
    mine = opened(cast, operation)
    theirs = controls(
        send(cast, operation, opened(cast, operation, "colleague"), "colleague", do="remove-tear-2")
    )
    send(cast, operation, theirs, "colleague")
    assert operation.tears.count() == 1
    again = controls(send(cast, operation, mine, **{"operation-bmi": "27.5"}))
    assert again["tear-2-pattern"] == ["radial"]
    assert send(cast, operation, again).status_code == 302
    assert sorted(tear.pattern for tear in operation.tears.all()) == ["longitudinal", "radial"]


def test_answers_are_kept_changed_and_taken_back(cast: Cast, operation: IndexProcedure) -> None:
    asked = send(cast, operation, opened(cast, operation), **{"tear-1-rim_zone": "3"})
    assert "yet the vascular zone is red-red" in text(asked)
    line = "answer-zone_3_red_red-1"
    send(cast, operation, controls(asked), **{line: "As seen"})
    assert SoftAnswer.objects.get().answer == "As seen"
    sent = opened(cast, operation)
    assert sent[line] == ["As seen"]
    send(cast, operation, sent, **{line: "Seen twice"})
    assert SoftAnswer.objects.get().answer == "Seen twice"
    send(cast, operation, opened(cast, operation), **{"tear-1-rim_zone": "1"})
    assert not SoftAnswer.objects.exists()


def test_recorded_and_signed_at_once(cast: Cast, operation: IndexProcedure) -> None:
    response = send(cast, operation, opened(cast, operation, "colleague"), "colleague", sign="yes")
    assert "Only whoever led the operation or repaired signs it." in text(response)
    assert send(cast, operation, opened(cast, operation), sign="yes").status_code == 302
    operation.refresh_from_db()
    assert operation.signed_by == cast.surgeon


def test_an_operation_of_another_unit_on_the_same_knee_is_not_mine_to_correct(cast: Cast) -> None:
    yew = factories.a_surgeon(cast.other_unit, "yew")
    elsewhere = factories.an_operation(cast.other_unit, yew, cast.knee, operated_on=date(2025, 3, 1))
    assert cast.client("surgeon").get(path(elsewhere)).status_code == 403
    assert cast.client("stranger").get(path(elsewhere)).status_code == 200


def test_an_operation_withdrawn_meanwhile_keeps_what_was_typed(cast: Cast, operation: IndexProcedure) -> None:
    client = cast.client("surgeon")
    sent = controls(client.get(path(operation)))
    factories.withdrawn(operation)
    response = client.post(path(operation), {**sent, "operation-bmi": "27.5"})
    assert response.headers["Location"] == f"/knees/{operation.knee.uuid}/history/"
    assert "What you typed is kept as a draft" in text(client.get(response.headers["Location"]))
    assert Draft.objects.get().page == path(operation)


def test_an_operation_of_another_knee_is_not_found(cast: Cast) -> None:
    elsewhere = factories.an_operation(cast.unit, cast.oak)
    assert (
        cast.client("surgeon")
        .get(f"/knees/{cast.knee.uuid}/operations/{elsewhere.uuid}/correct/")
        .status_code
        == 404
    )


def test_a_draft_of_a_correction_is_restored(cast: Cast, operation: IndexProcedure) -> None:
    client = cast.client("surgeon")
    sent = controls(client.get(path(operation)))
    client.post("/drafts/", {**sent, "operation-bmi": "27.5", "correction-reason": "Weighed again"})
    restored = controls(client.get(path(operation)))
    assert (restored["operation-bmi"], restored["correction-reason"]) == (["27.5"], ["Weighed again"])
    client.post(path(operation), restored)
    assert controls(client.get(path(operation)))["correction-reason"] == [""]


def queries(cast: Cast, method: str, address: str, sent: Any = None) -> int:
    client = cast.client("surgeon")
    with CaptureQueriesContext(
        connection,
    ) as asked:
        assert getattr(client, method)(address, sent).status_code == 200
    return len(asked)


def test_six_tears_take_no_more_queries_than_one(cast: Cast, operation: IndexProcedure) -> None:
    def counted() -> tuple[int, int, int]:
        sent = opened(cast, operation)
        return (
            queries(cast, "get", path(operation)),
            queries(cast, "post", path(operation), {**sent, "do": "add-implant"}),
            queries(cast, "post", "/operations/facts/", sent),
        )

    one = counted()
    for _ in range(5):
        repair = factories.a_repair(operation)
        record(SuturePass(repair=repair, number=4, configuration="vertical"))
    assert counted() == one
