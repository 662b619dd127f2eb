"""Second readings: how another surgeon of the unit classifies some of the tears. Pure."""

from registry.demo.story import ProcedureStory, ReadingStory, TearStory
from registry.demo.world import World, after


def readings(world: World, procedure: ProcedureStory) -> tuple[ReadingStory, ...]:
    """The readings of an operation's tears made by the close of the scenario, at most one a tear."""
    share = world.truth.readings.share
    told = [_reading(world, procedure, tear) for tear in procedure.tears if world.dice.chance(share)]
    return tuple(each for each in told if each)


def _reading(world: World, procedure: ProcedureStory, tear: TearStory) -> ReadingStory | None:
    truth, dice = world.truth.readings, world.dice
    day = after(procedure.recorded_at.date(), dice.within(truth.after_days))
    if day > world.closing:
        return None
    pattern = _read(world, "pattern", tear.pattern, f"pattern_{tear.meniscus}")
    location = _read(world, "radial_location", tear.radial_location)
    return ReadingStory(
        uuid=dice.uuid(),
        recorded_at=world.entered(day, procedure.recorded_at),
        tear=tear.number,
        reader=_reader(world, procedure),
        pattern=pattern,
        depth=_read(world, "depth", tear.depth),
        # Who reads a root tear reads it at the root.
        radial_location="root" if pattern == "root" else location,
        rim_zone=int(_read(world, "rim_zone", str(tear.rim_zone or ""))),
        vascular_zone=_read(world, "vascular_zone", tear.vascular_zone),
        tissue=_read(world, "tissue", tear.tissue),
    )


def _reader(world: World, procedure: ProcedureStory) -> str:
    """A surgeon of the unit who did not operate on the tear."""
    team = procedure.team
    operated = (team.lead_surgeon, team.first_assistant, team.repaired_by)
    others = [code for code in world.truth.people.lead_surgeon[procedure.unit].codes if code not in operated]
    return others[world.dice.within((0, len(others) - 1))]


def _read(world: World, field: str, first: str, chance: str = "") -> str:
    """What the reader says of a field: as the first reader did, or by chance."""
    truth, dice = world.truth.readings, world.dice
    same, by_chance = dice.chance(truth.same_as_first[field]), dice.pick(truth.by_chance[chance or field])
    return first if first and same else by_chance
