"""What imaging and second looks show of each repair, true to its state and never moving its failure. Pure."""

from datetime import date

from registry.demo.answers import answers_on_look
from registry.demo.course import REVISION, Course, Fate
from registry.demo.shapes import Days, or_default, tenths
from registry.demo.story import ImagingFindingStory, ImagingStory, LookFindingStory, LookStory
from registry.demo.world import World, after


def imaging(world: World, course: Course) -> tuple[ImagingStory, ...]:
    """Routine imaging of some knees, and imaging for trouble before a failure."""
    findings, dice = world.truth.findings, world.dice
    days = [
        after(fate.gone_on, -dice.within(findings.imaging_before_failure_days))
        for fate in course.fates
        if fate.gone_on and fate.failed and dice.chance(findings.imaging_before_failure)
    ]
    days += _now_and_then(world, course, findings.routine_imaging, findings.routine_imaging_after_days)
    return tuple(_imaged(world, course, day) for day in sorted(days) if course.standing(day))


def looks(world: World, course: Course) -> tuple[LookStory, ...]:
    """Every arthroscopic look at standing repairs, and what it was done for."""
    findings = world.truth.findings
    reasons = {"protocol": (findings.protocol_look, findings.protocol_look_after_days)}
    reasons["symptoms"] = (findings.symptom_look, findings.symptom_look_after_days)
    days = [
        (day, reason)
        for reason, (share, span) in reasons.items()
        for day in _now_and_then(world, course, share, span)
    ]
    days += [
        (fate.gone_on, "symptoms") for fate in course.fates if fate.gone_on and _looked_before(world, fate)
    ]
    days += [(course.staged_on, "staged")] if course.staged_on else []
    days += [(course.second_on, "other_surgery")] if course.second_on else []
    return tuple(_looked(world, course, day, reason) for day, reason in sorted(days) if course.standing(day))


def _now_and_then(world: World, course: Course, share: float, span: Days) -> list[date]:
    day = after(course.first.operated_on, world.dice.within(span))
    return [day] if world.dice.chance(share) and day <= course.seen_until else []


def _looked_before(world: World, fate: Fate) -> bool:
    """Whether a failed repair was described before it was treated; before a revision always."""
    return fate.failed and (
        fate.action == REVISION or world.dice.chance(world.truth.failure.look_before_removal)
    )


def _imaged(world: World, course: Course, day: date) -> ImagingStory:
    return ImagingStory(
        uuid=world.uuid(),
        recorded_at=world.entered(day, course.latest_before(day).recorded_at),
        imaged_on=day,
        modality=world.dice.pick(world.truth.findings.modality),
        findings=tuple(_imaging_finding(world, fate, day) for fate in course.standing(day)),
    )


def _imaging_finding(world: World, fate: Fate, day: date) -> ImagingFindingStory:
    findings, dice = world.truth.findings, world.dice
    healed = dice.pick(findings.imaged[fate.state_on(day)])
    extrusion = dice.spread(or_default(findings.extrusion_mm, fate.tear.pattern))
    return ImagingFindingStory(
        tear=fate.tear.number,
        signal_to_surface=dice.pick(findings.signal_to_surface[healed]),
        fluid_in_repair=world.missing_or(
            findings.fluid_missing, dice.chance(findings.fluid_in_repair[healed])
        ),
        extrusion_mm=None if dice.chance(findings.extrusion_missing) else tenths(extrusion),
        healed=healed,
    )


def _looked(world: World, course: Course, day: date, reason: str) -> LookStory:
    recorded_at = world.entered(day, course.latest_before(day).recorded_at)
    findings = tuple(_look_finding(world, fate, day) for fate in course.standing(day))
    return LookStory(
        uuid=world.uuid(),
        recorded_at=recorded_at,
        looked_on=day,
        reason=reason,
        findings=findings,
        soft_answers=answers_on_look(world.details, findings),
    )


def _look_finding(world: World, fate: Fate, day: date) -> LookFindingStory:
    findings, dice = world.truth.findings, world.dice
    healed = dice.pick(findings.looked_at[fate.state_on(day)])
    thickness = dice.whole(findings.healed_thickness_percent[healed])
    length = dice.whole(findings.healed_length_percent[healed])
    stable, covered, vessels = (
        world.missing_or(findings.detail_missing, dice.chance(shares[healed]))
        for shares in (findings.stable_on_probing, findings.sutures_covered, findings.vessels_seen)
    )
    return LookFindingStory(
        tear=fate.tear.number,
        healed_thickness_percent=None if dice.chance(findings.thickness_missing) else thickness,
        healed_length_percent=None if dice.chance(findings.length_missing) else length,
        stable_on_probing=stable,
        sutures_covered=covered,
        vessels_seen=vessels,
        action=_action(fate, day),
    )


def _action(fate: Fate, day: date) -> str:
    """What was done on that day to a repair found failed, which the surgery of that day tells too."""
    if not fate.failed or fate.gone_on != day:
        return "none"
    repaired_again = "root_refixation" if fate.tear.pattern == "root" else "re_repair"
    return repaired_again if fate.action == REVISION else fate.action
