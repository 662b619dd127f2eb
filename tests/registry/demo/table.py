"""The analysis table built straight from the stories: one row a primary repair entered in time.

An independent reading of the stories, not of the generator: it sees only what the record will hold.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date

import pandas as pd

from registry.demo.story import KneeStory, PatientStory, ProcedureStory, TearStory
from registry.rules.acuity import acuity

LATE_ENTRY_AFTER_DAYS = 90
FAILING = ("re_repair", "partial_removal", "total_removal", "transplant", "root_refixation")
REMOVING = ("total_removal", "transplant")
REPLACEMENTS = ("total_replacement", "partial_replacement")


@dataclass(frozen=True)
class Row:
    days: int
    failed: bool
    surgeon: str
    zone: str
    acuity: str
    ligament: str
    augmentation: str


def repair_table(stories: Iterable[PatientStory]) -> pd.DataFrame:
    """Columns as Row; missing zone "" and acuity "unknown" are kept."""
    return pd.DataFrame([row for story in stories for knee in story.knees for row in _rows(story, knee)])


def _rows(story: PatientStory, knee: KneeStory) -> Iterator[Row]:
    for procedure in knee.procedures:
        in_time = (procedure.recorded_at.date() - procedure.operated_on).days <= LATE_ENTRY_AFTER_DAYS
        for tear in procedure.tears:
            if in_time and tear.repair and tear.revises is None:
                yield _row(story, knee, procedure, tear)


def _row(story: PatientStory, knee: KneeStory, procedure: ProcedureStory, tear: TearStory) -> Row:
    failed_on = _failed_on(knee, tear)
    end = failed_on or _last_known_well(story, knee, procedure, tear)
    injured_on = procedure.injury.injured_on
    assert tear.repair
    return Row(
        days=(end - procedure.operated_on).days,
        failed=failed_on is not None,
        surgeon=procedure.team.lead_surgeon,
        zone=tear.vascular_zone,
        acuity=acuity((procedure.operated_on - injured_on).days if injured_on else None),
        ligament=procedure.ligaments.surgery,
        augmentation=tear.repair.augmentation,
    )


def _failed_on(knee: KneeStory, tear: TearStory) -> date | None:
    revised = [
        each.operated_on for each in knee.procedures for other in each.tears if other.revises == tear.number
    ]
    return min([*revised, *_operated_on(knee, tear, "same", FAILING)], default=None)


def _operated_on(knee: KneeStory, tear: TearStory, site: str, actions: tuple[str, ...]) -> list[date]:
    """Days of reoperations that did one of these to this tear, or elsewhere in its meniscus."""
    return [
        reoperation.operated_on
        for reoperation in knee.reoperations
        for on_tear in reoperation.on_tears
        if (on_tear.tear, on_tear.site) == (tear.number, site) and on_tear.action in actions
    ]


def _last_known_well(
    story: PatientStory, knee: KneeStory, procedure: ProcedureStory, tear: TearStory
) -> date:
    """The competing event where there is one, else the last day the knee was known not reoperated."""
    competing = _operated_on(knee, tear, "new", REMOVING)
    competing += [each.operated_on for each in knee.reoperations if each.other_surgery in REPLACEMENTS]
    competing += [story.died_on] if story.died_on else []
    known = [each.seen_on for each in knee.visits] + [each.contacted_on for each in knee.contacts]
    known += [each.looked_on for each in knee.looks] + [each.operated_on for each in knee.reoperations]
    known += [each.answered_on for each in knee.scores if each.reoperated_since == "no"]
    return min(competing) if competing else max([procedure.operated_on, *known])
