"""One index procedure: ligaments, injury, background, prerequisites, tears. Pure."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from registry.demo.person import Person
from registry.demo.shapes import Shares, from_threshold, or_default, tenths
from registry.demo.story import (
    Background,
    InjuryStory,
    Ligaments,
    Measured,
    Prerequisites,
    ProcedureStory,
    SameSitting,
    Team,
    TearStory,
)
from registry.demo.tears import Found, Setting, left_ramp, repaired_tear, unrepaired_tear
from registry.demo.world import World, after

MENISCI = ("medial", "lateral")


@dataclass(frozen=True, slots=True)
class Delay:
    """From injury to surgery, as it was: what the record says of it may be less."""

    acuity: str
    days: int


def first_operation(world: World, person: Person, on: date, numbers: Iterator[int]) -> ProcedureStory:
    """The operation that brings a knee into the record."""
    ligaments = first_ligaments(world, on)
    look = _posteromedial_look(world, ligaments, on)
    ramp = _ramp(world, ligaments, look, numbers)
    stability = "torn" if ligaments.acl_torn else "stable"
    menisci = _menisci(world, stability)
    if ramp:
        menisci = tuple(meniscus for meniscus in menisci if meniscus != "medial")
    patterns = world.truth.tears.pattern
    found = [Found(next(numbers), meniscus, world.dice.pick(patterns[meniscus])) for meniscus in menisci]
    stable_ramp = bool(ramp and found and not world.dice.chance(world.truth.tears.unstable["ramp"]))
    if ramp and not stable_ramp:
        found.append(ramp)
    aside = (left_ramp(world, ramp),) if ramp and stable_ramp else ()
    return _operation(world, person, on, ligaments, look, found, numbers, aside)


def revision_operation(
    world: World, person: Person, on: date, failed: TearStory, ligaments: Ligaments, numbers: Iterator[int]
) -> ProcedureStory:
    """A repair of a tear repaired before."""
    found = Found(next(numbers), failed.meniscus, failed.pattern, failed.ramp_type, revises=failed.number)
    look = _posteromedial_look(world, ligaments, on)
    return _operation(world, person, on, ligaments, look, [found], numbers)


def second_operation(
    world: World, person: Person, on: date, meniscus: str, ligaments: Ligaments, numbers: Iterator[int]
) -> ProcedureStory:
    """A repair of a new tear in the other meniscus of a knee already in the record."""
    found = Found(next(numbers), meniscus, world.dice.pick(world.truth.tears.pattern[meniscus]))
    look = _posteromedial_look(world, ligaments, on)
    return _operation(world, person, on, ligaments, look, [found], numbers)


def first_ligaments(world: World, on: date) -> Ligaments:
    truth = world.truth.ligaments
    acl = world.dice.pick(truth.acl)
    if acl == "intact":
        return Ligaments()
    if acl == "reconstructed_before":
        return Ligaments(acl=acl, staging="ligament_first")
    if acl == "treated_here":
        return Ligaments(acl=acl, **_others(world, truth.other_when_acl_treated))
    torn = Ligaments(acl=acl, **_others(world, truth.other_when_acl_torn))
    planned_on = after(on, world.dice.whole(truth.stage_days))
    return replace(torn, staging="repair_first", ligament_planned_on=planned_on) if acl == "staged" else torn


def later_ligaments(first: Ligaments, staged_on: date | None, on: date) -> Ligaments:
    """The same knee's ligaments at a later operation, in which none is treated."""
    staged_done = first.acl == "staged" and staged_on is not None and staged_on <= on
    if staged_done or first.acl in ("treated_here", "reconstructed_before"):
        return Ligaments(acl="reconstructed_before")
    return Ligaments(acl="left") if first.acl_torn else Ligaments()


def _operation(
    world: World,
    person: Person,
    on: date,
    ligaments: Ligaments,
    look: str,
    found: list[Found],
    numbers: Iterator[int],
    aside: tuple[TearStory, ...] = (),
) -> ProcedureStory:
    dice, age = world.dice, person.age_on(on)
    delay = _delay(world, ligaments)
    team, supervision = _team(world, person.unit)
    setting = Setting(ligaments.acl_torn, delay.acuity, ligaments.surgery, team.lead_surgeon)
    tears = [repaired_tear(world, setting, each) for each in found]
    if dice.chance(world.truth.tears.unrepaired_tear):
        aside = (*aside, unrepaired_tear(world, next(numbers), MENISCI[dice.within((0, 1))]))
    measured = _measured(world, age)
    return ProcedureStory(
        uuid=dice.uuid(),
        recorded_at=world.operation_entered(on),
        unit=person.unit,
        operated_on=on,
        team=team,
        supervision=supervision,
        injury=_injury(world, setting, delay, on),
        background=_background(world, age, ligaments),
        measured=measured,
        prerequisites=_prerequisites(world, tears, ligaments, measured),
        ligaments=ligaments,
        posteromedial_look=look,
        same_sitting=_same_sitting(world.details, tears, ligaments, measured),
        tears=(*tears, *aside),
    )


def _others(world: World, shares: Mapping[str, Shares]) -> dict[str, Any]:
    return {ligament: world.dice.pick(states) for ligament, states in shares.items()}


def _posteromedial_look(world: World, ligaments: Ligaments, on: date) -> str:
    if not ligaments.acl_torn:
        return ""
    return world.dice.pick(from_threshold(world.truth.ligaments.posteromedial_look_from_year, world.year(on)))


def _ramp(world: World, ligaments: Ligaments, look: str, numbers: Iterator[int]) -> Found | None:
    """The ramp lesion, where there is one and the posteromedial compartment was looked into."""
    truth, dice = world.truth.ligaments, world.dice
    present = ligaments.acl_torn and dice.chance(truth.ramp_present)
    if not present or not dice.chance(truth.ramp_found.get(look, 0)):
        return None
    return Found(next(numbers), "medial", "ramp", ramp_type=dice.pick(truth.ramp_type[look]))


def _menisci(world: World, stability: str) -> tuple[str, ...]:
    tears = world.truth.tears
    if world.dice.chance(tears.both_menisci_repaired[stability]):
        return MENISCI
    return (world.dice.pick(tears.meniscus[stability]),)


def _delay(world: World, ligaments: Ligaments) -> Delay:
    injury = world.truth.injury
    acuity = world.dice.pick(injury.acuity["torn" if ligaments.acl_torn else "stable"])
    return Delay(acuity, world.dice.within(injury.delay_days[acuity]))


def _injury(world: World, setting: Setting, delay: Delay, on: date) -> InjuryStory:
    injury, dice = world.truth.injury, world.dice
    cause = dice.pick(injury.cause[setting.stability])
    injured_on = after(on, -delay.days)
    if dice.chance(injury.date_unknown):
        return InjuryStory(None, "unknown", cause)
    if dice.chance(injury.date_to_the_month[delay.acuity]):
        return InjuryStory(injured_on.replace(day=15), "month", cause)
    return InjuryStory(injured_on, "day", cause)


def _team(world: World, unit: str) -> tuple[Team, str]:
    """A supervised repair is done by the assistant, and the lead surgeon answers for it."""
    people, background, dice = world.truth.people, world.truth.background, world.dice
    lead = dice.pick(people.lead_surgeon[unit])
    supervision = dice.pick(background.supervision)
    other = dice.pick(people.lead_surgeon[unit])
    if other == lead:
        return Team(lead, None, None), "independent"
    if supervision != "independent":
        return Team(lead, other, other), supervision
    return Team(lead, other if dice.chance(background.assisted) else None, None), supervision


def _background(world: World, age: float, ligaments: Ligaments) -> Background:
    truth, dice = world.truth.background, world.dice
    extra = truth.tourniquet_ligament_extra_min if ligaments.surgery == "same_operation" else 0
    tourniquet = None if dice.chance(truth.tourniquet_missing) else dice.whole(truth.tourniquet_min) + extra
    tegner = from_threshold(truth.preinjury_tegner, age)
    return Background(
        bmi=None if dice.chance(truth.bmi_missing) else tenths(dice.spread(truth.bmi)),
        smoking=dice.pick(truth.smoking),
        asa=world.grade(truth.asa),
        preinjury_tegner=None if dice.chance(truth.tegner_missing) else dice.whole(tegner),
        anaesthetic=dice.pick(truth.anaesthetic),
        tourniquet_min=tourniquet,
    )


def _measured(world: World, age: float) -> Measured:
    truth, dice = world.truth.background, world.dice
    shares = from_threshold(truth.cartilage, age)
    grades = (None if dice.chance(truth.cartilage_missing) else world.grade(shares) for _ in range(3))
    return Measured(tenths(dice.spread(truth.hka_deg)) if dice.chance(truth.hka_measured) else None, *grades)


def _prerequisites(
    world: World, tears: list[TearStory], ligaments: Ligaments, measured: Measured
) -> Prerequisites:
    """The six answers, as what was recorded bears them out."""
    truth = world.truth.background
    unmet_ligament = ligaments.acl in ("staged", "left")
    varus = measured.hka_deg is not None and measured.hka_deg < truth.hka_varus_limit_deg
    unmet = {
        "vascular_zone_met": any(tear.vascular_zone == "WW" for tear in tears),
        "unstable_on_probing": all(tear.unstable is False for tear in tears),
        "body_intact": any(tear.tissue == "degenerate" for tear in tears),
        "knee_stable": unmet_ligament,
        "alignment_acceptable": varus,
        "cartilage_acceptable": _worst_cartilage(measured) >= truth.cartilage_accepted_below,
    }
    unsure = {
        "vascular_zone_met": any(tear.vascular_zone == "" for tear in tears),
        "unstable_on_probing": any(tear.unstable is None for tear in tears),
    }
    return Prerequisites(
        **{name: _answer(world, name, no, unsure.get(name, False)) for name, no in unmet.items()}
    )


def _worst_cartilage(measured: Measured) -> int:
    grades = (measured.cartilage_medial, measured.cartilage_lateral, measured.cartilage_patellofemoral)
    return max(grade or 0 for grade in grades)


def _same_sitting(
    world: World, tears: list[TearStory], ligaments: Ligaments, measured: Measured
) -> SameSitting:
    truth, limits, dice = world.truth.same_sitting, world.truth.background, world.dice
    vented = any(tear.repair and tear.repair.augmentation == "marrow_venting" for tear in tears)
    hka_deg = measured.hka_deg or 0
    reconstructed = ligaments.surgery == "same_operation"
    worn = _worst_cartilage(measured) >= limits.cartilage_accepted_below
    microfracture = or_default(truth.notch_microfracture, "marrow_venting" if vented else "none")
    return SameSitting(
        graft=dice.pick(world.truth.ligaments.graft) if reconstructed else "",
        proximal_tibial_osteotomy=hka_deg < limits.hka_varus_limit_deg
        and dice.chance(truth.proximal_tibial_osteotomy),
        distal_femoral_osteotomy=hka_deg > truth.valgus_limit_deg
        and dice.chance(truth.distal_femoral_osteotomy),
        cartilage_repair=worn and dice.chance(truth.cartilage_repair),
        notch_microfracture=dice.chance(microfracture),
        loose_body_removal=dice.chance(truth.loose_body_removal),
        other_procedure=dice.chance(truth.other_procedure),
    )


def _answer(world: World, name: str, unmet: bool, unsure: bool) -> str:
    if unmet:
        return "no"
    missing = world.truth.background.prerequisite_not_assessed[name]
    return "not_assessed" if unsure or world.dice.chance(missing) else "yes"
