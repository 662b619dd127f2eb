"""Knee story: the tear maps of then and now, where a tear is drawn, and what is the latest known of it."""

import re
from typing import Any

import pytest

from registry.access import Action, units_for
from registry.models import (
    Imaging,
    ImagingFinding,
    Reoperation,
    ReoperationOnTear,
    Repair,
    SecondLook,
    SecondLookFinding,
)
from registry.pages.story import Reader, Teller
from registry.pages.story.maps import KneeMap, maps
from registry.recording import record
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.test_knee_story import after, story


def drawn(cast: Cast) -> tuple[KneeMap, KneeMap]:
    assert units_for(cast.surgeon, Action.SEE_RECORD)
    knee = type(cast.knee).objects.select_related("patient").get(pk=cast.knee.pk)
    then, now = maps(Teller.of(knee, Reader.of(cast.surgeon, knee)))
    return then, now


def now(cast: Cast) -> dict[str, tuple[str, str | None]]:
    """What the map of now says of each tear, and the kind of its mark."""
    return {tear.name: (tear.said, tear.mark.kind if tear.mark else None) for tear in drawn(cast)[1].tears}


def the_tear(cast: Cast) -> tuple[str, str | None]:
    (said,) = now(cast).values()
    return said


@pytest.fixture
def placed(cast: Cast) -> Cast:
    factories.corrected(cast.repair.tear, map_step=9, radial_location="posterior", rim_zone=2)
    return cast


def imaged(cast: Cast, days: int, healed: str) -> None:
    imaging = Imaging(knee=cast.knee, imaged_on=after(days), modality="mri")
    record(imaging, ImagingFinding(imaging=imaging, tear=cast.repair.tear, healed=healed))


def looked(cast: Cast, days: int, thickness: int | None, **found: Any) -> None:
    look = SecondLook(knee=cast.knee, looked_on=after(days), reason="symptoms")
    share = {"healed_thickness_percent": thickness, "healed_length_percent": 100}
    record(look, SecondLookFinding(look=look, tear=cast.repair.tear, **share, **found))


# --- Where -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("place", "step", "approximate"),
    [
        ({"map_step": 9, "radial_location": "posterior"}, 9, ""),
        ({"map_step": 2}, 2, ""),
        ({"radial_location": "anterior"}, 3, "Place approximate: drawn in the middle of its anterior third"),
        ({"radial_location": "middle"}, 6, "Place approximate: drawn in the middle of its middle third"),
        (
            {"radial_location": "posterior"},
            10,
            "Place approximate: drawn in the middle of its posterior third",
        ),
        ({"radial_location": "root"}, 12, "Place approximate: drawn at the posterior root"),
        ({"pattern": "root"}, 12, "Place approximate: drawn at the posterior root"),
        ({"pattern": "ramp"}, 10, "Place approximate: drawn in the middle of its posterior third"),
        ({}, None, "Place not recorded, so not drawn"),
    ],
)
def test_a_tear_is_drawn_where_it_is_or_about_there_in_words(
    cast: Cast, place: dict[str, Any], step: int | None, approximate: str
) -> None:
    factories.corrected(cast.repair.tear, **place)
    then, _ = drawn(cast)
    (tear,) = then.tears
    assert (tear.mark.step if tear.mark else None) == step
    assert tear.approximate == approximate
    assert len(then.map.marks) == (step is not None)
    if approximate:
        assert approximate in story(cast)
    if step and approximate:
        assert approximate.lower() in then.map.description


def test_side_meniscus_and_rim_zone_are_those_recorded(placed: Cast) -> None:
    then, _ = drawn(placed)
    assert then.map.side == placed.knee.side
    mark = then.tears[0].mark
    assert mark is not None
    assert (mark.number, mark.meniscus, mark.step, mark.zone) == (1, "medial", 9, 2)


# --- Then and now ------------------------------------------------------------------------------


def test_then_is_the_first_operation_and_now_all_of_them(placed: Cast) -> None:
    factories.a_tear(placed.repair.tear.procedure, meniscus="lateral", treatment="removed", map_step=6)
    again = factories.an_operation(
        placed.unit, placed.oak, placed.knee, operated_on=after(500), injured_on=None
    )
    factories.a_tear(again, meniscus="lateral", pattern="radial", treatment="left", map_step=3)
    then, at_last = drawn(placed)
    assert then.title == "As found on 1 Mar 2024"
    assert [(tear.said, tear.mark and tear.mark.kind) for tear in then.tears] == [
        ("Repaired", "found"),
        ("Removed", "found"),
    ]
    assert at_last.title == "By the latest known"
    assert [(tear.said, tear.mark and tear.mark.kind) for tear in at_last.tears] == [
        ("Repaired, not seen since", "found"),
        ("Removed at the operation of 1 Mar 2024", "removed"),
        ("Left alone, not seen since", "found"),
    ]
    assert [mark.number for mark in at_last.map.marks] == [1, 2, 3]


def test_a_return_takes_the_place_of_the_tear_that_returned(placed: Cast) -> None:
    looked(placed, 100, 95)
    again = factories.an_operation(
        placed.unit, placed.oak, placed.knee, operated_on=after(500), injured_on=None
    )
    factories.a_repair(again, revises=placed.repair.tear, map_step=9)
    assert now(placed) == {
        "Tear 2: longitudinal-vertical tear, medial meniscus": ("Repaired, not seen since", "found")
    }


@pytest.mark.parametrize(
    ("thickness", "said", "kind"),
    [
        (95, "Healed at the second look of 9 Jun 2024", "healed"),
        (60, "Partly healed at the second look of 9 Jun 2024", "partly"),
        (40, "Not healed at the second look of 9 Jun 2024", "failed"),
        (None, "Repaired, not seen since", "found"),
    ],
)
def test_a_second_look_tells(placed: Cast, thickness: int | None, said: str, kind: str) -> None:
    looked(placed, 100, thickness)
    assert the_tear(placed) == (said, kind)


def test_the_latest_tells(placed: Cast) -> None:
    imaged(placed, 200, "partly")
    looked(placed, 100, 40)
    assert the_tear(placed) == ("Partly healed on imaging of 17 Sep 2024", "partly")
    imaged(placed, 300, "")
    assert the_tear(placed)[1] == "partly"


@pytest.mark.parametrize(
    ("action", "said", "kind"),
    [
        ("re_repair", "Repaired again", "found"),
        ("root_refixation", "Repaired again", "found"),
        ("partial_removal", "Partly removed", "removed"),
        ("total_removal", "Removed", "removed"),
        ("transplant", "Removed", "removed"),
        ("none", "Healed", "healed"),
    ],
)
def test_what_was_done_outranks_what_was_seen(placed: Cast, action: str, said: str, kind: str) -> None:
    looked(placed, 100, 95, action=action)
    told, shown = the_tear(placed)
    assert told.startswith(said)
    assert shown == kind


def reoperated(repair: Repair, action: str, **of_tear: str) -> None:
    again = Reoperation(knee=repair.tear.procedure.knee, operated_on=after(300))
    record(again, ReoperationOnTear(reoperation=again, tear=repair.tear, action=action, **of_tear))


def test_partial_removal_at_a_new_site_leaves_the_repair(placed: Cast) -> None:
    reoperated(placed.repair, "partial_removal", site="new")
    assert the_tear(placed) == ("Repaired, not seen since", "found")


def test_with_a_whole_meniscus_all_its_tears_are_gone_and_no_other(placed: Cast) -> None:
    procedure = placed.repair.tear.procedure
    beside = factories.a_repair(procedure, map_step=6)
    factories.a_repair(procedure, meniscus="lateral", map_step=6)
    reoperated(beside, "total_removal")
    assert [kind for _, kind in now(placed).values()] == ["removed", "removed", "found"]


def test_with_the_whole_joint_everything_is_gone(placed: Cast) -> None:
    record(Reoperation(knee=placed.knee, operated_on=after(900), other_surgery="total_replacement"))
    imaged(placed, 1000, "healed")
    assert the_tear(placed) == ("Removed at the operation of 18 Aug 2026", "removed")


# --- On the page -------------------------------------------------------------------------------


def test_both_maps_stand_on_the_page_with_each_tear_in_words(placed: Cast) -> None:
    looked(placed, 100, 95)
    page = story(placed)
    assert re.findall('<h3 id="tear-map-(then|now)">(.*?)</h3>', page) == [
        ("then", "As found on 1 Mar 2024"),
        ("now", "By the latest known"),
    ]
    assert page.count('<svg class="tear-map"') == 2
    assert "</strong> Healed at the second look of 9 Jun 2024." in page
    assert "Tears, then and now" not in story(placed, factories.an_operation(placed.unit, placed.oak).knee)
