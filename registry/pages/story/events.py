"""What followed the operation in the Knee story: looks, imaging, visits, scores, reoperations and more."""

from collections.abc import Iterator
from itertools import chain

from registry.models import (
    Complication,
    Contact,
    Imaging,
    Reoperation,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    Visit,
)
from registry.pages.story.keeping import kept, links_of_event
from registry.pages.story.moment import Moment, Part
from registry.pages.story.operation import answered
from registry.pages.story.teller import Teller
from registry.pages.wording import Facts, facts
from registry.rules.healing import CLINICAL_HEALING_FROM_DAYS
from registry.scoring import INSTRUMENTS, ScaleScore
from registry.vocabulary import HealingClass, OtherSurgery, ReoperationAction, TimePoint


def events(told: Teller) -> Iterator[Moment]:
    knee = told.knee
    return chain(
        (_look(told, look) for look in knee.looks.all()),
        (_imaging(told, imaging) for imaging in knee.imaging.all()),
        (_visit(told, visit) for visit in knee.visits.all()),
        (_score(told, score) for score in knee.scores.all()),
        (_reoperation(told, again) for again in knee.reoperations.all()),
        (_complication(told, complication) for complication in knee.complications.all()),
        (_contact(told, contact) for contact in knee.contacts.all()),
    )


def _look(told: Teller, look: SecondLook) -> Moment:
    parts = [_seen_again(told, finding) for finding in look.findings.all()]
    if answers := answered(told, look.soft_answers.all()):
        parts.append(Part("Answered when asked", answers))
    return Moment(
        on=look.looked_on,
        title="Second look",
        facts=facts(look, "reason"),
        parts=parts,
        note=_limits(told) if look.findings.all() else "",
        mark="is-look",
        rank=2,
        kept=kept(told, look),
        links=links_of_event(told, look),
    )


def _limits(told: Teller) -> str:
    """Where the classes of a second look begin and end."""
    unit = told.knee.patient.unit
    return (
        f"Class by the limits of {unit.name}: healed with a cleft under {unit.healed_cleft_below_percent} % "
        f"of the thickness, along the full length; not healed with one of {unit.failed_cleft_from_percent} % "
        "or more (Henning et al. CORR 1990;252:64-72)."
    )


def _seen_again(told: Teller, finding: SecondLookFinding) -> Part:
    known = (
        HealingClass(finding.healing_class).label
        if finding.healing_class
        else "Not classed: share healed not recorded"
    )
    seen = ("healed_thickness_percent", "healed_length_percent", "stable_on_probing", "sutures_covered")
    done = ["action"] if finding.action != ReoperationAction.NONE else []
    return Part(
        told.tear_names[finding.tear_id],
        [("Class", known), *facts(finding, *seen, "vessels_seen", *done)],
    )


def _imaging(told: Teller, imaging: Imaging) -> Moment:
    seen = ("healed", "signal_to_surface", "fluid_in_repair", "extrusion_mm")
    return Moment(
        on=imaging.imaged_on,
        title=imaging.get_modality_display(),
        parts=[Part(told.tear_names[each.tear_id], facts(each, *seen)) for each in imaging.findings.all()],
        kept=kept(told, imaging),
        links=links_of_event(told, imaging),
    )


def _visit(told: Teller, visit: Visit) -> Moment:
    planned = visit.time_point != TimePoint.UNPLANNED
    signs = ("effusion", "joint_line_tenderness", "mcmurray")
    others = ("flexion_deg", "extension_deg", "lachman", "pivot", "sport_return", "employed_as_before")
    return Moment(
        on=visit.seen_on,
        title=f"Visit, {visit.get_time_point_display()}" if planned else "Visit, unplanned",
        facts=[("Clinical healing", _clinical_healing(told, visit)), *facts(visit, *signs, *others)],
        kept=kept(told, visit),
        links=links_of_event(told, visit),
    )


def _clinical_healing(told: Teller, visit: Visit) -> str:
    operated_on = max(each.operated_on for each in told.procedures if each.operated_on <= visit.seen_on)
    if (visit.seen_on - operated_on).days < CLINICAL_HEALING_FROM_DAYS:
        return f"Read from {CLINICAL_HEALING_FROM_DAYS} days after operation on"
    words = {True: "Healed", False: "Not healed", None: "Not assessable: a sign is not recorded"}
    return words[visit.clinically_healed]


def _score(told: Teller, score: ScoreResponse) -> Moment:
    instrument = INSTRUMENTS[score.instrument]
    scores = score.scores
    profile = [("Profile", instrument.profile(score.items) or "not complete")] if instrument.profile else []
    alone = len(scores) == 1 and not profile
    asked = facts(score, "way", "reoperated_since")
    told_apart = [] if alone else [(each.scale.name, _scored(each)) for each in scores]
    return Moment(
        on=score.answered_on,
        title=f"{instrument.name}: {_scored(scores[0])}" if alone else instrument.name,
        facts=[*profile, *told_apart, ("Version", score.instrument_version), *asked],
        parts=[Part("Answers", _items(score), folded=True)] if score.items else [],
        kept=kept(told, score),
        links=links_of_event(told, score),
    )


def _scored(score: ScaleScore) -> str:
    if score.value is None:
        return f"not scorable, {score.answered} of {score.of} answered"
    return f"{score} of {score.scale.highest:g}"


def _items(score: ScoreResponse) -> Facts:
    items = INSTRUMENTS[score.instrument].items
    return [(item.label, str(score.items.get(item.code, "Not answered"))) for item in items]


def _reoperation(told: Teller, again: Reoperation) -> Moment:
    done = [
        Part(told.tear_names[each.tear_id], facts(each, "action", "site")) for each in again.on_tears.all()
    ]
    other = ["other_surgery"] if again.other_surgery != OtherSurgery.NONE else []
    return Moment(
        on=again.operated_on,
        title="Reoperation",
        facts=facts(again, "planned", *other),
        parts=done,
        mark="is-operation",
        kept=kept(told, again),
        links=links_of_event(told, again),
    )


def _complication(told: Teller, complication: Complication) -> Moment:
    return Moment(
        on=complication.noticed_on,
        title=f"Complication: {complication.get_kind_display()}",
        facts=facts(complication, "severity", "found_by", "resolved_on"),
        kept=kept(told, complication),
        links=links_of_event(told, complication),
    )


def _contact(told: Teller, contact: Contact) -> Moment:
    return Moment(
        on=contact.contacted_on,
        title=f"Contact: {contact.get_source_display()}",
        facts=[("Known", "Not operated on again by that day")],
        kept=kept(told, contact),
        links=links_of_event(told, contact),
    )
