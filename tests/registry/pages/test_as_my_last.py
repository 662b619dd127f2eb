"""As my last: the habits of a surgeon's last operation of a kind, never what was seen in another knee."""

from datetime import date
from typing import Any

import pytest
from django.http import QueryDict

from registry.models import Rehabilitation, SuturePass
from registry.pages.drafts import keep
from registry.recording import record
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.controls import controls
from tests.registry.pages.entries import text

PATH = "/operations/new/"


@pytest.fixture
def last(cast: Cast) -> Any:
    """A staged bucket-handle repair with everything recorded."""
    operation = factories.an_operation(
        cast.unit,
        cast.oak,
        operated_on=date(2025, 2, 3),
        acl="staged",
        mcl="left",
        staging="repair_first",
        ligament_planned_on=date(2025, 5, 3),
        anaesthetic="spinal",
        tourniquet_min=0,
        supervision="scrubbed",
        bmi=31,
        smoking="current",
        hka_deg=-3,
        cartilage_medial=2,
        posteromedial_look="probed",
        vascular_zone_met="yes",
    )
    factories.a_tear(operation, pattern="horizontal", treatment="left")
    repair = factories.a_repair(
        operation,
        meniscus="lateral",
        pattern="bucket_handle",
        length_mm=30,
        depth="complete",
        rim_zone=1,
        tissue="good",
        displaced=True,
        unstable=True,
    )
    factories.corrected(repair, rasped=True, stable_at_end=True)
    record(
        SuturePass(repair=repair, number=8, configuration="vertical", surface="upper", suture_size="2-0"),
        SuturePass(
            repair=repair, number=2, configuration="oblique", surface="lower", suture_size="0", spacing_mm=3
        ),
        Rehabilitation(procedure=operation, course="planned", brace_weeks=6),
        Rehabilitation(procedure=operation, course="actual", brace_weeks=9),
    )
    return operation


def test_own_kinds_are_offered_latest_first(cast: Cast, last: Any) -> None:
    page = text(cast.client("surgeon").get(PATH))
    offered = page.split("As my last:")[1].split("</nav>")[0]
    assert offered.index("Bucket-handle, ligament staged later, 3 Feb 2025") < offered.index(
        "Longitudinal-vertical, no ligament surgery, 1 Mar 2024"
    )


def test_only_the_latest_of_a_kind_and_at_most_five(cast: Cast) -> None:
    for number, pattern in enumerate(["radial", "root", "ramp", "complex", "horizontal", "radial", "radial"]):
        operation = factories.an_operation(cast.unit, cast.oak, operated_on=date(2025, 1, number + 1))
        factories.a_repair(operation, pattern=pattern)
    page = text(cast.client("surgeon").get(PATH))
    assert page.count("?like=") == 5
    assert page.count("Radial, no ligament surgery, 7 Jan 2025") == 1
    assert "Radial, no ligament surgery, 1 Jan 2025" not in page


def test_habits_are_taken_over_and_marked(cast: Cast, last: Any) -> None:
    response = cast.client("surgeon").get(f"{PATH}?like={last.uuid}")
    sent = controls(response)
    habits = {
        "operation-anaesthetic": "spinal",
        "operation-tourniquet_min": "0",
        "operation-supervision": "scrubbed",
        "operation-acl": "staged",
        "operation-staging": "repair_first",
        "tear-1-pattern": "bucket_handle",
        "tear-1-treatment": "repaired",
        "repair-1-all_inside": "on",
        "repair-1-rasped": "true",
        "pass-1-1-configuration": "vertical",
        "pass-1-1-surface": "upper",
        "pass-1-1-suture_size": "2-0",
        "pass-1-2-configuration": "oblique",
        "pass-1-2-surface": "lower",
        "pass-1-2-suture_size": "0",
        "pass-1-2-spacing_mm": "3.0",
        "planned-brace_weeks": "6",
    }
    assert {name: sent[name] for name in habits} == {name: [value] for name, value in habits.items()}
    assert text(response).count("is-taken") == len(habits)


def test_nothing_seen_in_another_knee_is_taken_over(cast: Cast, last: Any) -> None:
    sent = controls(cast.client("surgeon").get(f"{PATH}?like={last.uuid}"))
    observed = [
        *(
            f"operation-{name}"
            for name in ("bmi", "smoking", "hka_deg", "cartilage_medial", "posteromedial_look")
        ),
        *(
            f"tear-1-{name}"
            for name in (
                "meniscus",
                "vascular_zone",
                "rim_zone",
                "length_mm",
                "depth",
                "tissue",
                "radial_location",
            )
        ),
        *("pass-1-1-number", "pass-1-2-number", "patient-hospital_number", "operation-injured_on"),
    ]
    assert {name: sent[name] for name in observed} == {name: [""] for name in observed}
    undecided = {
        "tear-1-displaced": ["unknown"],
        "tear-1-unstable": ["unknown"],
        "repair-1-stable_at_end": ["unknown"],
    }
    assert {name: sent[name] for name in undecided} == undecided
    assert sent["operation-vascular_zone_met"] == ["not_assessed"]
    assert sent["operation-mcl"] == ["intact"]
    assert not {name for name in sent if name.endswith("-row")}
    assert sent["entry"] != [str(last.uuid)]


@pytest.mark.parametrize(
    ("ligaments", "acl", "staging"),
    [
        ({"acl": "treated_here", "staging": "single", "ligament_planned_on": None}, "treated_here", "single"),
        ({"acl": "intact", "pcl": "staged"}, "", "single"),
        ({"acl": "staged", "pcl": "staged"}, "", "single"),
        ({"acl": "left", "staging": "single", "ligament_planned_on": None}, "", "single"),
    ],
)
def test_of_ligaments_only_the_acl_that_the_kind_was_chosen_by(
    cast: Cast, last: Any, ligaments: dict[str, Any], acl: str, staging: str
) -> None:
    factories.corrected(last, **ligaments)
    sent = controls(cast.client("surgeon").get(f"{PATH}?like={last.uuid}"))
    assert (sent["operation-acl"], sent["operation-pcl"]) == ([acl], ["intact"])
    assert sent["operation-staging"] == [staging]


def test_beside_a_draft_the_choice_says_that_it_filled_only_what_was_open(cast: Cast, last: Any) -> None:
    typed = QueryDict("operation-anaesthetic=local")
    keep(cast.surgeon, PATH, typed)
    response = cast.client("surgeon").get(f"{PATH}?like={last.uuid}")
    assert "filled only what the draft leaves open" in text(response)
    assert controls(response)["operation-anaesthetic"] == ["local"]
    assert "filled only what" not in text(cast.client("surgeon").get(PATH))


def test_a_long_tourniquet_is_no_habit(cast: Cast, last: Any) -> None:
    factories.corrected(last, tourniquet_min=55)
    assert controls(cast.client("surgeon").get(f"{PATH}?like={last.uuid}"))["operation-tourniquet_min"] == [
        ""
    ]


@pytest.mark.parametrize("like", ["5e5c1f0e-63a1-4f0e-9a58-2f1c39e1f1aa", "nonsense"])
def test_what_is_no_operation_of_mine_is_not_found(cast: Cast, like: str) -> None:
    assert cast.client("surgeon").get(f"{PATH}?like={like}").status_code == 404


def test_a_colleagues_operation_is_not_my_last(cast: Cast, last: Any) -> None:
    assert "As my last" not in text(cast.client("colleague").get(PATH))
    assert cast.client("colleague").get(f"{PATH}?like={last.uuid}").status_code == 404


def test_the_mark_stays_until_the_value_changes(cast: Cast, last: Any) -> None:
    client = cast.client("surgeon")
    sent: dict[str, Any] = dict(controls(client.get(f"{PATH}?like={last.uuid}")))
    marked = text(client.post(PATH, {**sent, "do": "add-implant"})).count("is-taken")
    changed = text(client.post(PATH, {**sent, "do": "add-implant", "operation-anaesthetic": "local"}))
    assert changed.count("is-taken") == marked - 1
