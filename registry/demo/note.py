"""What completes an operation note: implants, rehabilitation, answers, signature, readings, slips. Pure."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta

from registry.demo.answers import answers_on_operation
from registry.demo.person import Person
from registry.demo.readings import readings
from registry.demo.rehabilitation import rehabilitation
from registry.demo.story import NoteStory, ProcedureStory, Slip
from registry.demo.sutures import implants
from registry.demo.world import World

# How far off a first digit is when it was mistyped, in units of the value.
FIRST_DIGIT = 10


def with_note(world: World, person: Person, procedure: ProcedureStory) -> ProcedureStory:
    """The operation with everything told of it that does not bear on what becomes of the knee."""
    used = implants(world, procedure)
    note = NoteStory(
        signed_at=_signed_at(world, procedure),
        implants=used,
        rehabilitation=rehabilitation(world, person, procedure),
        soft_answers=answers_on_operation(world, procedure, used),
        readings=readings(world, procedure),
        slips=tuple(_slips(world, procedure)),
    )
    return replace(procedure, note=note)


def _signed_at(world: World, procedure: ProcedureStory) -> datetime | None:
    keeping, dice = world.truth.keeping, world.dice
    later = timedelta(days=int(dice.pick(keeping.signed_after_days)), minutes=dice.within((4, 150)))
    signed_at = procedure.recorded_at + later
    forgotten = dice.chance(keeping.unsigned)
    return None if forgotten or signed_at.date() > world.closing else signed_at


def _slips(world: World, procedure: ProcedureStory) -> Iterator[Slip]:
    keeping, bmi = world.truth.keeping, procedure.background.bmi
    if world.dice.chance(keeping.bmi_mistyped) and bmi is not None:
        yield _slip(world, None, "bmi", bmi + FIRST_DIGIT)
    for tear in procedure.tears:
        if world.dice.chance(keeping.length_mistyped) and tear.length_mm is not None:
            yield _slip(world, tear.number, "length_mm", tear.length_mm + FIRST_DIGIT)


def _slip(world: World, tear: int | None, field: str, typed: object) -> Slip:
    return Slip(tear, field, typed, world.dice.pick(world.truth.keeping.mistyped_reason[field]))
