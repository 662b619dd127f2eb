"""At its default size the scenario holds enough of everything that happens in life for a page to show it."""

from collections.abc import Callable
from datetime import date, timedelta

import pytest

from registry.demo.story import KneeStory, ProcedureStory
from registry.rules.healing import second_look_class
from registry.vocabulary import (
    Augmentation,
    ContactSource,
    EndReason,
    LookReason,
    Pattern,
    PosteromedialLook,
    ReoperatedSince,
    ResearchPermission,
    Technique,
    Treatment,
)
from tests.registry.demo.conftest import UNTIL
from tests.registry.demo.telling import Stories, knees, procedures, share, tears


def is_late(procedure: ProcedureStory) -> bool:
    return procedure.recorded_at.date() - procedure.operated_on > timedelta(days=90)


def stage_done(knee: KneeStory) -> bool:
    return any(each.planned and each.other_surgery == "ligament" for each in knee.reoperations)


def stage_overdue(knee: KneeStory) -> bool:
    planned = knee.procedures[0].ligaments.ligament_planned_on
    return planned is not None and planned + timedelta(days=180) < UNTIL and not stage_done(knee)


def actions(stories: Stories, site: str) -> list[str]:
    return [
        on_tear.action
        for knee in knees(stories)
        for reoperation in knee.reoperations
        for on_tear in reoperation.on_tears
        if on_tear.site == site
    ]


def other_surgery(stories: Stories, ending: str) -> int:
    return sum(each.other_surgery.endswith(ending) for knee in knees(stories) for each in knee.reoperations)


def failed_after_a_healed_look(knee: KneeStory) -> bool:
    healed = {
        (finding.tear, look.looked_on)
        for look in knee.looks
        for finding in look.findings
        if second_look_class(finding.healed_thickness_percent, finding.healed_length_percent) == "healed"
    }
    later = {
        (on_tear.tear, reoperation.operated_on)
        for reoperation in knee.reoperations
        for on_tear in reoperation.on_tears
        if on_tear.site == "same" and on_tear.action != "none"
    }
    return any(tear == other and looked < failed for tear, looked in healed for other, failed in later)


AT_LEAST: dict[str, tuple[int, Callable[[Stories], int]]] = {
    "both knees of one patient": (20, lambda s: sum(len(story.knees) == 2 for story in s)),
    "two repairs in one operation": (
        100,
        lambda s: sum(sum(tear.repair is not None for tear in each.tears) == 2 for each in procedures(s)),
    ),
    "a later operation for a new tear": (
        10,
        lambda s: sum(
            any(all(tear.revises is None for tear in each.tears) for each in knee.procedures[1:])
            for knee in knees(s)
        ),
    ),
    "a revision repair": (40, lambda s: sum(tear.revises is not None for tear in tears(s))),
    "partial removal": (100, lambda s: actions(s, "same").count("partial_removal")),
    "total removal": (10, lambda s: actions(s, "same").count("total_removal")),
    "a repair untouched by a reoperation": (50, lambda s: actions(s, "same").count("none")),
    "a new tear trimmed": (8, lambda s: actions(s, "new").count("partial_removal")),
    "a meniscus lost to a new tear": (1, lambda s: actions(s, "new").count("total_removal")),
    "a staged operation done": (50, lambda s: sum(map(stage_done, knees(s)))),
    "a staged operation never done": (5, lambda s: sum(map(stage_overdue, knees(s)))),
    "ligament first": (
        40,
        lambda s: sum(each.ligaments.staging == "ligament_first" for each in procedures(s)),
    ),
    "knee replacement": (3, lambda s: other_surgery(s, "replacement")),
    "washout or manipulation": (3, lambda s: other_surgery(s, "washout") + other_surgery(s, "manipulation")),
    "death": (5, lambda s: sum(story.died_on is not None for story in s)),
    "no follow-up at all": (
        10,
        lambda s: sum(not (knee.visits or knee.contacts or knee.reoperations) for knee in knees(s)),
    ),
    "birth known to the year": (8, lambda s: sum(not story.born_on_is_exact for story in s)),
    "injury known to the month": (
        50,
        lambda s: sum(each.injury.injury_date_precision == "month" for each in procedures(s)),
    ),
    "body mass index missing": (50, lambda s: sum(each.background.bmi is None for each in procedures(s))),
    "smoking unrecorded": (40, lambda s: sum(each.background.smoking == "" for each in procedures(s))),
    "ASA class missing": (30, lambda s: sum(each.background.asa is None for each in procedures(s))),
    "a supervised repair": (50, lambda s: sum(each.team.repaired_by is not None for each in procedures(s))),
    "imaging": (150, lambda s: sum(len(knee.imaging) for knee in knees(s))),
    "a complication": (30, lambda s: sum(len(knee.complications) for knee in knees(s))),
    "a form half answered": (
        50,
        lambda s: sum(not score.scale_values for knee in knees(s) for score in knee.scores),
    ),
    "failure after a look that found it healed": (
        3,
        lambda s: sum(map(failed_after_a_healed_look, knees(s))),
    ),
}


@pytest.mark.parametrize("what", AT_LEAST)
def test_there_is_enough_of(what: str, stories: Stories) -> None:
    least, counted = AT_LEAST[what]
    assert counted(stories) >= least


SHOWN: dict[str, tuple[set[str], Callable[[Stories], set[str]]]] = {
    "pattern": (set(Pattern.values), lambda s: {tear.pattern for tear in tears(s)}),
    "treatment": (set(Treatment.values), lambda s: {tear.treatment for tear in tears(s)}),
    "augmentation": (
        set(Augmentation.values),
        lambda s: {tear.repair.augmentation for tear in tears(s) if tear.repair},
    ),
    "technique": (
        set(Technique.values),
        lambda s: {
            each
            for tear in tears(s)
            if tear.repair
            for each in Technique.values
            if getattr(tear.repair, each)
        },
    ),
    "posteromedial look": (
        {"", *PosteromedialLook.values},
        lambda s: {each.posteromedial_look for each in procedures(s) if each.ligaments.acl_torn},
    ),
    "permission": (set(ResearchPermission.values), lambda s: {story.research_permission for story in s}),
    "end": (
        set(EndReason.values),
        lambda s: {story.end_of_follow_up.reason for story in s if story.end_of_follow_up},
    ),
    "contact": (
        set(ContactSource.values),
        lambda s: {each.source for knee in knees(s) for each in knee.contacts},
    ),
    "look": (set(LookReason.values), lambda s: {each.reason for knee in knees(s) for each in knee.looks}),
    "reoperated since": (
        set(ReoperatedSince.values),
        lambda s: {each.reoperated_since for knee in knees(s) for each in knee.scores},
    ),
    "vascular zone": ({"RR", "RW", "WW", ""}, lambda s: {tear.vascular_zone for tear in tears(s)}),
}


@pytest.mark.parametrize("what", SHOWN)
def test_every_code_occurs_of(what: str, stories: Stories) -> None:
    codes, shown = SHOWN[what]
    assert shown(stories) == codes


SHARES: dict[str, tuple[float, float, Callable[[Stories], float]]] = {
    "repairs a patient": (
        1.15,
        1.3,
        lambda s: sum(tear.repair is not None for tear in tears(s)) / len(s),
    ),
    "injury date unknown": (
        0.06,
        0.1,
        lambda s: share([each.injury.injured_on is None for each in procedures(s)]),
    ),
    "entered late": (0.025, 0.055, lambda s: share(list(map(is_late, procedures(s))))),
    "permission given": (0.8, 0.9, lambda s: share([each.research_permission == "given" for each in s])),
    "first answer of prerequisites yes": (
        0.75,
        0.95,
        lambda s: share([each.prerequisites.vascular_zone_met == "yes" for each in procedures(s)]),
    ),
    "within usual indications": (
        0.4,
        0.7,
        lambda s: share([every_answer(each) == {"yes"} for each in procedures(s)]),
    ),
}


def every_answer(procedure: ProcedureStory) -> set[str]:
    given = procedure.prerequisites
    return {
        given.vascular_zone_met,
        given.unstable_on_probing,
        given.body_intact,
        given.knee_stable,
        given.alignment_acceptable,
        given.cartilage_acceptable,
    }


@pytest.mark.parametrize("what", SHARES)
def test_the_usual_share_of(what: str, stories: Stories) -> None:
    low, high, measured = SHARES[what]
    assert low <= measured(stories) <= high


def test_ramp_lesions_are_found_only_where_the_acl_is_torn_and_somebody_looked(stories: Stories) -> None:
    found = [
        procedure
        for procedure in procedures(stories)
        if any(tear.pattern == "ramp" and tear.revises is None for tear in procedure.tears)
    ]
    assert len(found) >= 30
    assert all(each.ligaments.acl_torn for each in found)
    assert {each.posteromedial_look for each in found} <= {"through_notch", "probed"}


def test_looking_behind_became_usual(stories: Stories) -> None:
    torn = sorted(
        (each for each in procedures(stories) if each.ligaments.acl_torn), key=lambda each: each.operated_on
    )
    third = len(torn) // 3
    early, late = (
        share([each.posteromedial_look in ("through_notch", "probed") for each in part])
        for part in (torn[:third], torn[-third:])
    )
    assert early < 0.5 < late


def test_white_white_tears_lie_outside_the_vascular_zone(stories: Stories) -> None:
    for procedure in procedures(stories):
        if any(tear.repair and tear.vascular_zone == "WW" for tear in procedure.tears):
            assert procedure.prerequisites.vascular_zone_met == "no"


def test_pulled_out_roots_have_tunnels_and_fixation(stories: Stories) -> None:
    repairs = [tear.repair for tear in tears(stories) if tear.repair]
    for repair in repairs:
        assert repair.pull_out == (repair.tunnels is not None) == (repair.tibial_fixation != "")
    assert sum(repair.pull_out for repair in repairs) >= 80


def test_blood_is_drawn_for_plasma_alone_and_about_thirty_ml(stories: Stories) -> None:
    repairs = [tear.repair for tear in tears(stories) if tear.repair]
    drawn = [repair.prp_blood_ml for repair in repairs if repair.prp_blood_ml is not None]
    assert all(repair.augmentation == "prp" for repair in repairs if repair.prp_blood_ml is not None)
    assert 28 <= sum(drawn) / len(drawn) <= 32


def test_most_bucket_handles_are_displaced_and_few_others(stories: Stories) -> None:
    handles = [bool(tear.displaced) for tear in tears(stories) if tear.pattern == "bucket_handle"]
    others = [bool(tear.displaced) for tear in tears(stories) if tear.pattern == "longitudinal"]
    assert share(handles) > 0.8 > 0.2 > share(others)


def test_every_staged_look_describes_each_standing_repair(stories: Stories) -> None:
    described = 0
    for knee in knees(stories):
        for look in knee.looks:
            if look.reason == "staged":
                assert {finding.tear for finding in look.findings} == standing(knee, look.looked_on)
                described += 1
    assert described > 50


def standing(knee: KneeStory, day: date) -> set[int]:
    """Numbers of the tears repaired before that day and neither removed nor repaired again before it."""
    earlier = [each for each in knee.procedures if each.operated_on < day]
    repaired = {tear.number for each in earlier for tear in each.tears if tear.repair}
    revised = {tear.revises for each in earlier for tear in each.tears}
    removed = {
        on_tear.tear
        for reoperation in knee.reoperations
        for on_tear in reoperation.on_tears
        if reoperation.operated_on < day and (on_tear.site, on_tear.action) in ENDING
    }
    return repaired - revised - removed


ENDING = {
    ("same", "partial_removal"),
    ("same", "total_removal"),
    ("same", "transplant"),
    ("new", "total_removal"),
}
