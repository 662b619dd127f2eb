"""Tears and their repairs: what was found and what was done about it. Pure."""

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from registry.demo.hazard import failure_day, hazard_ratio
from registry.demo.shapes import Spread, or_default, tenths
from registry.demo.story import Latent, RepairStory, TearStory
from registry.demo.sutures import passes
from registry.demo.world import World

TECHNIQUES = ("all_inside", "inside_out", "outside_in", "pull_out", "suture_anchor", "suture_hook")
ACCOMPANYING = ("with_delamination", "with_longitudinal", "with_horizontal", "with_radial", "with_flap")


@dataclass(frozen=True, slots=True)
class Setting:
    """What an operation says of every repair done in it."""

    acl_torn: bool
    acuity: str
    ligament_surgery: str
    surgeon: str

    @property
    def stability(self) -> str:
        return "torn" if self.acl_torn else "stable"


@dataclass(frozen=True, slots=True)
class Found:
    """A tear to be repaired: where and what it is, and which earlier one it is the return of."""

    number: int
    meniscus: str
    pattern: str
    ramp_type: str = ""
    revises: int | None = None


def repaired_tear(world: World, setting: Setting, found: Found) -> TearStory:
    tears, dice = world.truth.tears, world.dice
    zone = dice.pick(tears.vascular_zone[found.pattern])
    return TearStory(
        number=found.number,
        treatment=dice.pick(or_default(tears.treatment, found.pattern)),
        revises=found.revises,
        repair=_repair(world, setting, found, zone),
        **_shape(world, found, zone),
    )


def unrepaired_tear(world: World, number: int, meniscus: str) -> TearStory:
    tears, dice = world.truth.tears, world.dice
    found = Found(number, meniscus, dice.pick(tears.unrepaired_pattern))
    zone = dice.pick(tears.vascular_zone[found.pattern])
    treatment = dice.pick(tears.unrepaired_treatment)
    return TearStory(
        number=number, treatment=treatment, revises=None, repair=None, **_shape(world, found, zone)
    )


def left_ramp(world: World, found: Found) -> TearStory:
    """A ramp lesion found stable and left alone."""
    zone = world.dice.pick(world.truth.tears.vascular_zone[found.pattern])
    shape = _shape(world, found, zone) | {"unstable": False}
    return TearStory(number=found.number, treatment="left", revises=None, repair=None, **shape)


def _shape(world: World, found: Found, zone: str) -> dict[str, Any]:
    tears, dice, pattern = world.truth.tears, world.dice, found.pattern
    accompanying = dice.pick(or_default(tears.accompanying, pattern))
    lateral = found.meniscus == "lateral"
    shape = {
        "uuid": dice.uuid(),
        "meniscus": found.meniscus,
        "pattern": pattern,
        **{name: accompanying != pattern and name == f"with_{accompanying}" for name in ACCOMPANYING},
        "depth": dice.pick(or_default(tears.depth, pattern)),
        "radial_location": dice.pick(or_default(tears.radial_location, pattern)),
        "length_mm": None if dice.chance(tears.length_missing) else dice.whole(tears.length_mm[pattern]),
        "rim_zone": world.grade(tears.rim_zone[zone]),
        "vascular_zone": "" if dice.chance(tears.vascular_zone_unrecorded) else zone,
        "before_popliteal_hiatus": _answer(world, tears.hiatus_missing, tears.before_hiatus)
        if lateral
        else None,
        "tissue": dice.pick(or_default(tears.tissue, pattern)),
        "displaced": dice.chance(or_default(tears.displaced, pattern)),
        "unstable": _answer(world, tears.unstable_missing, or_default(tears.unstable, pattern)),
        "root_type": dice.pick(tears.root_type) if pattern == "root" else "",
        "ramp_type": found.ramp_type,
    }
    return shape | _measured(world.details, shape)


def _measured(world: World, shape: dict[str, Any]) -> dict[str, Any]:
    """Widths, distances and the place on the map, each as its code has it."""
    tears, location = world.truth.tears, shape["radial_location"]
    placed = location and not world.dice.chance(tears.map_step_missing)
    return {
        "rim_width_mm": _mm(world, tears.rim_width_measured, tears.rim_width_mm.get(str(shape["rim_zone"]))),
        "root_distance_mm": _mm(
            world, tears.root_distance_measured, tears.root_distance_mm.get(shape["root_type"])
        ),
        "map_step": int(world.dice.pick(tears.map_step[location])) if placed else None,
    }


def _mm(world: World, measured: float, spread: Spread | None) -> Decimal | None:
    if spread is None or not world.dice.chance(measured):
        return None
    return tenths(world.dice.spread(spread))


def _repair(world: World, setting: Setting, found: Found, zone: str) -> RepairStory:
    repairs, dice = world.truth.repairs, world.dice
    used = dice.pick(or_default(repairs.technique, found.pattern)).split("+")
    augmentation = dice.pick(repairs.augmentation[setting.stability])
    blood_known = augmentation == "prp" and not dice.chance(repairs.prp_blood_missing)
    through_tibia = "pull_out" in used
    sutured = passes(world.details, found.pattern, used)
    return RepairStory(
        latent=_latent(world, setting, zone, augmentation, revision=found.revises is not None),
        **{technique: technique in used for technique in TECHNIQUES},
        **_preparation(world),
        tunnels=world.grade(repairs.tunnels) if through_tibia else None,
        tibial_fixation=dice.pick(repairs.tibial_fixation) if through_tibia else "",
        augmentation=augmentation,
        prp_blood_ml=dice.whole(repairs.prp_blood_ml) if blood_known else None,
        stable_at_end=_answer(world, repairs.stable_at_end_missing, repairs.stable_at_end),
        passes=sutured,
    )


def _preparation(world: World) -> dict[str, Any]:
    repairs = world.truth.repairs
    shares = {"rasped": repairs.rasped, "trephined": repairs.trephined, "shaved": repairs.shaved}
    return {name: _answer(world, repairs.preparation_missing, share) for name, share in shares.items()}


def _latent(world: World, setting: Setting, zone: str, augmentation: str, revision: bool) -> Latent:
    failure = world.truth.failure
    ratio = hazard_ratio(
        failure.hazard_ratio,
        vascular_zone=zone,
        acuity=setting.acuity,
        ligament_surgery=setting.ligament_surgery,
        augmentation=augmentation,
        surgeon=setting.surgeon,
        revision=revision,
    )
    uniform = world.failures.draw((zone, setting.acuity, setting.ligament_surgery, augmentation, revision))
    day = failure_day(failure.baseline_per_year, ratio, uniform)
    return Latent(zone, setting.acuity, setting.ligament_surgery, ratio, day)


def _answer(world: World, missing: float, yes: float) -> bool | None:
    return world.missing_or(missing, world.dice.chance(yes))
