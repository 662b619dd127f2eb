"""The two tear maps of a knee: then, as its first operation found it, and now, by the latest known."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.utils.formats import date_format
from django.utils.text import capfirst

from registry.models import Tear
from registry.pages.story.teller import Teller
from registry.rules.tear_course import Fate, Knowledge, latest
from registry.tear_map import STEPS, Kind, Mark, TearMap, tear_map
from registry.vocabulary import (
    HealingClass,
    OtherSurgery,
    Pattern,
    RadialLocation,
    ReoperationAction,
    TearSite,
    Treatment,
)

# A step in the middle of each third; of the roots the posterior one, torn more often (common practice).
MIDDLE_STEPS = {
    RadialLocation.ANTERIOR: 3,
    RadialLocation.MIDDLE: 6,
    RadialLocation.POSTERIOR: 10,
    RadialLocation.ROOT: STEPS[-1],
}
# Where a tear of these patterns lies when nothing more is recorded (common practice, no source).
LOCATED_BY_PATTERN = {Pattern.ROOT: RadialLocation.ROOT, Pattern.RAMP: RadialLocation.POSTERIOR}
KINDS: dict[Fate, Kind] = {
    "healed": "healed",
    "partly": "partly",
    "failed": "failed",
    "repaired_again": "found",
    "part_removed": "removed",
    "removed": "removed",
}
FATES: dict[Fate, str] = {
    "healed": "healed",
    "partly": "partly healed",
    "failed": "not healed",
    "repaired_again": "repaired again",
    "part_removed": "partly removed",
    "removed": "removed",
}
ACTIONS: dict[str, Fate] = {
    ReoperationAction.RE_REPAIR: "repaired_again",
    ReoperationAction.ROOT_REFIXATION: "repaired_again",
    ReoperationAction.PARTIAL_REMOVAL: "part_removed",
    ReoperationAction.TOTAL_REMOVAL: "removed",
    ReoperationAction.TRANSPLANT: "removed",
}
# Of the whole meniscus, whichever of its tears they are recorded with.
WHOLE_MENISCUS = (ReoperationAction.TOTAL_REMOVAL, ReoperationAction.TRANSPLANT)
CLASSES: dict[str, Fate] = {
    HealingClass.HEALED: "healed",
    HealingClass.PARTLY: "partly",
    HealingClass.FAILED: "failed",
}
SOURCES = {"imaging": "on imaging", "look": "at the second look", "surgery": "at the operation"}
UNTOUCHED: dict[str, str] = {
    Treatment.REPAIRED: "repaired, not seen since",
    Treatment.PART_REPAIRED: "part repaired, part removed; not seen since",
    Treatment.REMOVED: "removed",
    Treatment.LEFT: "left alone, not seen since",
    Treatment.BIOLOGY_ONLY: "biology only, not seen since",
}


@dataclass(frozen=True, slots=True)
class TearOnMap:
    """One tear in words, and its mark if its place is known at all."""

    name: str
    said: str
    mark: Mark | None
    approximate: str = ""


@dataclass(frozen=True, slots=True)
class KneeMap:
    """One tear map under its heading, with each tear in words."""

    name: str
    title: str
    map: TearMap
    tears: list[TearOnMap]


def maps(told: Teller) -> list[KneeMap]:
    """Then and now; none without a tear."""
    if not told.tears:
        return []
    first = next(each for each in told.procedures if each.tears.all())
    then = [_then(told, tear) for tear in first.tears.all()]
    now = [_now(told, tear) for tear in told.tears.values() if not _returned(told, tear)]
    found_on = date_format(first.operated_on)
    return [
        _drawn(told, "then", f"As found on {found_on}", then),
        _drawn(told, "now", "By the latest known", now),
    ]


def place(tear: Tear) -> tuple[int | None, str]:
    """The step of a tear on the map, and words when that is a guess; no step when nothing tells."""
    if tear.map_step:
        return tear.map_step, ""
    location = tear.radial_location or LOCATED_BY_PATTERN.get(Pattern(tear.pattern))
    if not location:
        return None, "place not recorded, so not drawn"
    known = RadialLocation(location)
    where = (
        "at the posterior root"
        if known is RadialLocation.ROOT
        else f"in the middle of its {known.label.lower()}"
    )
    return MIDDLE_STEPS[known], f"place approximate: drawn {where}"


def knowledge(told: Teller, tear: Tear) -> Iterator[Knowledge]:
    """Everything known of a tear since its operation."""
    if tear.treatment == Treatment.REMOVED:
        yield Knowledge(tear.procedure.operated_on, "surgery", "removed")
    yield from _seen(told, tear)
    for on, other, action, site in _done(told):
        if action in ACTIONS and _concerns(tear, on, told.tears[other], action, site):
            yield Knowledge(on, "surgery", ACTIONS[action])
    for again in told.knee.reoperations.all():
        if (
            again.other_surgery == OtherSurgery.TOTAL_REPLACEMENT
            and again.operated_on >= tear.procedure.operated_on
        ):
            yield Knowledge(again.operated_on, "surgery", "removed")


def _seen(told: Teller, tear: Tear) -> Iterator[Knowledge]:
    for imaging in told.knee.imaging.all():
        for each in imaging.findings.all():
            if each.tear_id == tear.pk and each.healed:
                yield Knowledge(imaging.imaged_on, "imaging", CLASSES[each.healed])
    for look in told.knee.looks.all():
        for found in look.findings.all():
            if found.tear_id == tear.pk and found.healing_class:
                yield Knowledge(look.looked_on, "look", CLASSES[found.healing_class])


def _done(told: Teller) -> Iterator[tuple[date, int, str, str]]:
    """What was done to tears later: day, tear, action, site."""
    for look in told.knee.looks.all():
        for found in look.findings.all():
            yield look.looked_on, found.tear_id, found.action, TearSite.SAME
    for again in told.knee.reoperations.all():
        for each in again.on_tears.all():
            yield again.operated_on, each.tear_id, each.action, each.site


def _concerns(tear: Tear, on: date, other: Tear, action: str, site: str) -> bool:
    if action in WHOLE_MENISCUS:
        return other.meniscus == tear.meniscus and on >= tear.procedure.operated_on
    return other == tear and site == TearSite.SAME


def _returned(told: Teller, tear: Tear) -> bool:
    """Whether a later tear is recorded as the return of this one, and tells its course from then on."""
    return any(later.revises_id == tear.pk for later in told.tears.values())


def _then(told: Teller, tear: Tear) -> TearOnMap:
    return _on_map(told, tear, tear.get_treatment_display().lower(), "found")


def _now(told: Teller, tear: Tear) -> TearOnMap:
    known = latest(knowledge(told, tear))
    if known is None:
        return _on_map(told, tear, UNTOUCHED[tear.treatment], "found")
    said = f"{FATES[known.fate]} {SOURCES[known.source]} of {date_format(known.on)}"
    return _on_map(told, tear, said, KINDS[known.fate])


def _on_map(told: Teller, tear: Tear, said: str, kind: Kind) -> TearOnMap:
    step, approximate = place(tear)
    name = told.tear_names[tear.pk]
    label = ", ".join(part for part in (str(tear), said, approximate) if part)
    mark: Any = step and Mark(_number(told, tear), tear.meniscus, step, tear.rim_zone, label, kind)  # type: ignore[arg-type]
    return TearOnMap(name, capfirst(said), mark or None, capfirst(approximate))


def _number(told: Teller, tear: Tear) -> int:
    return list(told.tears).index(tear.pk) + 1


def _drawn(told: Teller, name: str, title: str, tears: list[TearOnMap]) -> KneeMap:
    marks = [tear.mark for tear in tears if tear.mark]
    return KneeMap(f"tear-map-{name}", title, tear_map(told.knee.side, marks), tears)  # type: ignore[arg-type]
