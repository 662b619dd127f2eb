"""Cards of tears, rows of passes and implants: added, copied and removed by buttons that save nothing."""

import re
from typing import Any

import pytest

from registry.models import IndexProcedure, SuturePass, Tear
from registry.rules.indications import PREREQUISITES
from tests.conftest import Cast
from tests.registry.pages.controls import Sent, controls
from tests.registry.pages.entries import an_operation_entry, text

PATH = "/operations/new/"
LABEL = "010401234567890117271231" + "10LOT42"


def press(cast: Cast, button: str, sent: dict[str, Any]) -> tuple[str, Sent]:
    """The page after a button, as it reads and as it would be sent."""
    before = IndexProcedure.objects.count()
    response = cast.client("surgeon").post(PATH, {**sent, "do": button})
    assert response.status_code == 200
    assert IndexProcedure.objects.count() == before
    return text(response), controls(response)


def entry(cast: Cast, **changes: str) -> dict[str, Any]:
    return dict(an_operation_entry(cast, cast.surgeon, changes))


def post(cast: Cast, sent: dict[str, Any]) -> Any:
    return cast.client("surgeon").post(PATH, sent)


def recorded() -> IndexProcedure:
    return IndexProcedure.objects.latest("pk")


def test_a_card_is_added_and_what_was_typed_stays(cast: Cast) -> None:
    page, sent = press(cast, "add-tear", entry(cast))
    assert "Tear 2 added." in page
    assert 'name="tear-2-meniscus" autofocus' in page
    assert sent["patient-hospital_number"] == ["NM 0042"]
    assert sent["tear-1-pattern"] == ["bucket_handle"]
    assert sent["tear-2-pattern"] == [""]
    assert post(cast, sent).status_code == 302
    # The card left empty is no tear.
    assert recorded().tears.count() == 1


def test_a_card_is_copied_with_its_repair_and_passes(cast: Cast) -> None:
    _, sent = press(
        cast, "copy-tear-1", entry(cast, **{"pass-1-1-number": "7", "pass-1-1-configuration": "vertical"})
    )
    assert sent["repair-2-all_inside"] == ["on"]
    sent["tear-2-meniscus"] = ["lateral"]
    post(cast, sent)
    assert [tear.meniscus for tear in recorded().tears.order_by("pk")] == ["medial", "lateral"]
    assert list(SuturePass.objects.values_list("number", flat=True)) == [7, 7]


def test_a_card_removed_lets_the_next_move_up(cast: Cast) -> None:
    typed = entry(
        cast, **{"tear-2-meniscus": "lateral", "tear-2-pattern": "radial", "tear-2-treatment": "left"}
    )
    _, sent = press(cast, "remove-tear-1", typed)
    assert sent["tear-1-pattern"] == ["radial"]
    assert "tear-2-pattern" not in sent
    assert "repair-1-all_inside" not in sent
    post(cast, sent)
    assert [tear.pattern for tear in recorded().tears.all()] == ["radial"]


def test_the_only_card_removed_leaves_an_empty_one(cast: Cast) -> None:
    _, sent = press(cast, "remove-tear-1", entry(cast))
    assert sent["tear-1-pattern"] == [""]


def test_a_page_holds_eight_tears(cast: Cast) -> None:
    sent: dict[str, Any] = entry(cast)
    for _ in range(7):
        _, sent = press(cast, "copy-tear-1", sent)
    page, sent = press(cast, "add-tear", sent)
    assert "A page holds 8 tears." in page
    assert "tear-9-meniscus" not in sent
    post(cast, sent)
    assert recorded().tears.count() == 8


def test_rows_of_passes(cast: Cast) -> None:
    first = {"pass-1-1-number": "4", "pass-1-1-configuration": "vertical", "pass-1-1-suture_size": "2-0"}
    page, sent = press(cast, "add-pass-1", entry(cast, **first))
    assert 'name="pass-1-2-number"' in page
    assert (sent["pass-1-2-configuration"], sent["pass-1-2-suture_size"]) == (["vertical"], ["2-0"])
    sent |= {"pass-1-2-number": ["3"], "pass-1-2-surface": ["lower"]}
    _, removed = press(cast, "remove-pass-1-1", sent)
    assert removed["pass-1-1-number"] == ["3"]
    post(cast, sent)
    repair = recorded().tears.get().repair
    assert [(each.number, each.surface) for each in repair.passes.all()] == [(4, ""), (3, "lower")]


def test_all_six_prerequisites_in_one_press_each_still_to_be_changed(cast: Cast) -> None:
    page, sent = press(cast, "all-met", entry(cast))
    assert re.search(r'name="operation-hka_deg"[^>]* autofocus', page)
    assert all(sent[f"operation-{name}"] == ["yes"] for name in PREREQUISITES)
    post(cast, {**sent, "operation-knee_stable": "no"})
    assert recorded().indication_verdict.failed == ("knee_stable",)


def test_a_label_scanned_fills_a_row(cast: Cast) -> None:
    _, sent = press(cast, "add-implant", entry(cast, **{"implant-scan": LABEL}))
    assert sent["implant-scan"] == [""]
    post(cast, sent)
    implant = recorded().implants.get()
    assert (implant.device_identifier, implant.lot, str(implant.expires_on), implant.count) == (
        "04012345678901",
        "LOT42",
        "2027-12-31",
        1,
    )


def test_an_unreadable_label_is_explained_and_stays(cast: Cast) -> None:
    page, sent = press(cast, "add-implant", entry(cast, **{"implant-scan": "0104012345678902"}))
    assert "ends in check digit 2, where 1 is due" in page
    assert sent["implant-scan"] == ["0104012345678902"]
    assert "implant-1-lot" not in sent


def test_enter_after_a_scan_without_script_takes_the_label_up_first(cast: Cast) -> None:
    response = post(cast, entry(cast, **{"implant-scan": LABEL}))
    assert "Implant 1 added: 04012345678901. Nothing is recorded yet: record again." in text(response)
    assert controls(response)["implant-1-lot"] == ["LOT42"]
    assert not IndexProcedure.objects.filter(bmi="24.5").exists()


def test_an_implant_typed_by_hand(cast: Cast) -> None:
    _, sent = press(cast, "add-implant", entry(cast))
    typed = {**sent, "implant-1-device_identifier": "4012345678901", "implant-1-lot": "A 1"}
    assert "Lot" in text(post(cast, typed))
    post(cast, {**typed, "implant-1-lot": "A1"})
    assert recorded().implants.get().device_identifier == "04012345678901"


def test_an_implant_without_lot_and_serial_is_refused(cast: Cast) -> None:
    response = post(
        cast, entry(cast, **{"implant-1-device_identifier": "4012345678901", "implant-1-count": "1"})
    )
    assert "Implant 1</a>: Without lot and serial no recall finds it. Enter one of them." in text(response)


@pytest.mark.parametrize(
    ("typed", "left_out"),
    [
        ({"tear-1-ramp_type": "1"}, {"ramp_type": ""}),
        (
            {"tear-1-root_type": "2A", "tear-1-root_distance_mm": "nonsense"},
            {"root_type": "", "root_distance_mm": None},
        ),
        ({"tear-1-before_popliteal_hiatus": "true"}, {"before_popliteal_hiatus": None}),
    ],
)
def test_what_a_tear_does_not_call_for_is_left_out(
    cast: Cast, typed: dict[str, str], left_out: dict[str, Any]
) -> None:
    """Its control is not shown, so it is neither kept nor complained about."""
    assert post(cast, entry(cast, **typed)).status_code == 302
    tear = recorded().tears.get()
    assert {name: getattr(tear, name) for name in left_out} == left_out


def test_what_an_operation_and_a_repair_do_not_call_for_is_left_out(cast: Cast) -> None:
    typed = {
        "operation-graft": "hamstring",
        "operation-ligament_planned_on": "not a day",
        "repair-1-prp_blood_ml": "900",
        "repair-1-tunnels": "2",
        "repair-1-tibial_fixation": "button",
    }
    assert post(cast, entry(cast, **typed)).status_code == 302
    operation, repair = recorded(), recorded().tears.get().repair
    assert (operation.graft, operation.ligament_planned_on) == ("", None)
    assert (repair.prp_blood_ml, repair.tunnels, repair.tibial_fixation) == (None, None, "")


def test_a_tear_not_repaired_keeps_nothing_of_a_repair(cast: Cast) -> None:
    typed = {"tear-1-treatment": "removed", "repair-1-tunnels": "9", "pass-1-1-number": "900"}
    posted = {name: value for name, value in entry(cast, **typed).items() if name != "repair-1-all_inside"}
    assert post(cast, posted).status_code == 302
    assert not hasattr(recorded().tears.get(), "repair")


def test_what_is_called_for_is_kept(cast: Cast) -> None:
    typed = {
        "operation-acl": "treated_here",
        "operation-graft": "hamstring",
        "operation-notch_microfracture": "on",
        "tear-1-pattern": "root",
        "tear-1-root_distance_mm": "4",
        "tear-1-rim_width_mm": "3",
        "tear-1-with_delamination": "on",
        "tear-1-map_step": "12",
        "repair-1-pull_out": "on",
        "repair-1-tunnels": "2",
        "repair-1-tibial_fixation": "button",
        "repair-1-augmentation": "prp",
        "repair-1-prp_blood_ml": "30",
        "planned-brace_weeks": "6",
    }
    assert post(cast, entry(cast, **typed)).status_code == 302
    operation = recorded()
    tear: Tear = operation.tears.get()
    assert (operation.graft, operation.other_procedures) == (
        "hamstring",
        ["microfracture of the notch (marrow venting)"],
    )
    # The codes follow from the measures.
    assert (tear.root_type, tear.rim_zone, tear.map_step, tear.accompanied_by) == (
        "2B",
        2,
        12,
        ["with delamination"],
    )
    repair = tear.repair
    assert (repair.tunnels, repair.tibial_fixation, repair.prp_blood_ml) == (2, "button", 30)
    assert operation.rehabilitation.get().brace_weeks == 6


def test_a_measure_that_contradicts_its_code_is_refused(cast: Cast) -> None:
    response = post(cast, entry(cast, **{"tear-1-rim_width_mm": "6", "tear-1-rim_zone": "1"}))
    assert "The rim width measured and the rim zone disagree" in text(response)


def test_a_button_that_does_not_exist_changes_nothing(cast: Cast) -> None:
    _, sent = press(cast, "remove-everything", entry(cast))
    assert sent["tear-1-pattern"] == ["bucket_handle"]
