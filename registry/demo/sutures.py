"""Sutures of a repair, and the implants of an operation with their lots. Pure."""

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import date
from decimal import Decimal

from registry.demo.shapes import or_default, tenths
from registry.demo.story import ImplantStory, PassStory, ProcedureStory, RepairStory
from registry.demo.world import World, after

# Lots are counted from well before the scenario opens, so that one left on the shelf has a number too.
LOTS_COUNTED_BEFORE_DAYS = 3_650


def passes(world: World, pattern: str, used: Sequence[str]) -> tuple[PassStory, ...]:
    """The passes of one repair, shared among its techniques; none where the note does not tell."""
    truth = world.truth.passes
    number = max(world.dice.whole(or_default(truth.number, pattern)), len(used))
    told = tuple(
        each
        for technique, share in zip(used, _shared(number, len(used)), strict=True)
        for each in _of_technique(world, technique, share)
    )
    return () if world.dice.chance(truth.missing) else told


def _shared(number: int, among: int) -> list[int]:
    """A number in nearly equal shares, the larger first."""
    return [number // among + (place < number % among) for place in range(among)]


def _of_technique(world: World, technique: str, number: int) -> Iterator[PassStory]:
    truth, dice = world.truth.passes, world.dice
    configuration = dice.pick(or_default(truth.configuration, technique))
    size = dice.pick(or_default(truth.suture_size, technique))
    spacing = _spacing(world, technique)
    surface = dice.pick(or_default(truth.surface, technique))
    sides = {surface: number}
    if number >= truth.both_surfaces_from and dice.chance(truth.both_surfaces):
        sides = dict(zip(("upper", "lower"), _shared(number, 2), strict=True))
    for side, passed in sides.items():
        yield PassStory(technique, configuration, side, passed, size, spacing)


def _spacing(world: World, technique: str) -> Decimal | None:
    truth = world.truth.passes
    known = technique in truth.spacing_mm and not world.dice.chance(truth.spacing_missing)
    return tenths(world.dice.spread(truth.spacing_mm[technique])) if known else None


def implants(world: World, procedure: ProcedureStory) -> tuple[ImplantStory, ...]:
    """One row a kind of implant used in the operation."""
    if world.dice.chance(world.truth.implants.missing):
        return ()
    repairs = [tear.repair for tear in procedure.tears if tear.repair]
    counts = sum((_used(world, repair) for repair in repairs), Counter[str]())
    return tuple(_implant(world, procedure, kind, count) for kind, count in counts.items())


def _used(world: World, repair: RepairStory) -> Counter[str]:
    """Implants of one repair by kind: an all-inside device a pass, and what fixes a root."""
    truth = world.truth.implants
    used = Counter(all_inside=sum(each.number for each in repair.passes if each.technique == "all_inside"))
    if repair.suture_anchor:
        used["anchor"] += int(world.dice.pick(truth.anchors))
    if repair.tibial_fixation in truth.fixation:
        used[truth.fixation[repair.tibial_fixation]] += 1
    return used


def _implant(world: World, procedure: ProcedureStory, kind: str, count: int) -> ImplantStory:
    truth, dice = world.truth.implants, world.dice
    device = dice.pick(truth.device[kind])
    day = procedure.operated_on
    if dice.chance(truth.kept_too_long):
        day = after(day, -truth.lot_keeps_days - truth.lot_days)
    number, opened_on = _lot_in_use(world, day)
    return ImplantStory(
        device_identifier=device,
        lot=f"{procedure.unit[0].upper()}{number:02d}-{device[9:13]}",
        serial=f"{dice.within((0, 999_999)):06d}" if dice.chance(truth.serial) else "",
        expires_on=after(opened_on, truth.lot_keeps_days),
        count=count,
    )


def _lot_in_use(world: World, day: date) -> tuple[int, date]:
    """Number of the lot that a unit takes from on a day, and when it began to."""
    truth = world.truth.implants
    counted_from = after(world.opening, -LOTS_COUNTED_BEFORE_DAYS)
    number = (day - counted_from).days // truth.lot_days
    return number, after(counted_from, number * truth.lot_days)
