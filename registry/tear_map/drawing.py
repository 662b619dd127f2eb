"""All that templates/registry/tear_map.html prints of one knee."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from registry.tear_map import crescents, surroundings
from registry.tear_map.crescents import HEIGHT, WIDTH, Point
from registry.tear_map.marks import GLYPHS, DrawnMark, Glyph, Mark, drawn
from registry.tear_map.places import (
    MENISCI,
    SIDES,
    STEPS,
    ZONES,
    Location,
    Meniscus,
    Side,
    location_of,
    must_be_one_of,
    words,
)
from registry.tear_map.surroundings import Label


@dataclass(frozen=True, slots=True)
class Cell:
    """One place of the map: a step along one meniscus and a rim zone across it."""

    meniscus: Meniscus
    step: int
    zone: int
    path: str
    centre: Point
    pin: Point
    words: str


@dataclass(frozen=True, slots=True)
class Row:
    """The six cells of one step, across both menisci."""

    step: int
    location: Location
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class TearMap:
    """All that the template prints."""

    side: Side
    title: str
    description: str
    rows: tuple[Row, ...]
    marks: tuple[DrawnMark, ...]
    key: tuple[Glyph, ...]
    bone: str
    outlines: tuple[str, ...]
    thirds: tuple[str, ...]
    roots: tuple[str, ...]
    ligaments: tuple[str, ...]
    hiatus: str
    note_line: str
    labels: tuple[Label, ...]
    note: Label
    view_box: str = f"0 0 {WIDTH} {HEIGHT}"
    choice: Glyph = GLYPHS["found"]


def tear_map(side: Side, marks: Sequence[Mark] = ()) -> TearMap:
    """The map of one knee with its tears.

    Raises
    ------
    ValueError
        When the side is neither left nor right.
    """
    must_be_one_of("side", side, SIDES)
    shown_marks = drawn(side, marks)
    shown = {mark.kind for mark in marks}
    return TearMap(
        side=side,
        title=f"Tear map of the {side} knee",
        description=_description(side, shown_marks),
        rows=rows(side),
        marks=shown_marks,
        key=tuple(glyph for kind, glyph in GLYPHS.items() if kind in shown),
        bone=crescents.loop(surroundings.BONE, side),
        outlines=tuple(crescents.outline(meniscus, side) for meniscus in MENISCI),
        thirds=tuple(crescents.thirds(meniscus, side) for meniscus in MENISCI),
        roots=tuple(crescents.roots(meniscus, side) for meniscus in MENISCI),
        ligaments=tuple(crescents.loop(footprint, side) for footprint in surroundings.LIGAMENTS),
        hiatus=surroundings.hiatus(side),
        note_line=surroundings.note_line(side),
        labels=tuple(surroundings.label_at(label, side) for label in surroundings.LABELS),
        note=surroundings.label_at(surroundings.NOTE, side),
    )


def _description(side: Side, marks: Sequence[DrawnMark]) -> str:
    medial, lateral = ("left", "right") if side == "right" else ("right", "left")
    seen = f"Both menisci from above, front at the top, medial on the {medial}, lateral on the {lateral}."
    if not marks:
        return f"{seen} No tear is marked."
    return " ".join([seen, *(f"{mark.words}." for mark in marks)])


@cache
def rows(side: Side) -> tuple[Row, ...]:
    """All 72 cells, step by step from the anterior roots to the posterior ones."""
    return tuple(
        Row(
            step,
            location_of(step),
            tuple(_cell(meniscus, step, zone, side) for meniscus in MENISCI for zone in ZONES),
        )
        for step in STEPS
    )


def _cell(meniscus: Meniscus, step: int, zone: int, side: Side) -> Cell:
    return Cell(
        meniscus=meniscus,
        step=step,
        zone=zone,
        path=crescents.patch(meniscus, (step,), (zone,), side),
        centre=crescents.turned(crescents.centre(meniscus, step, zone), side),
        pin=crescents.turned(crescents.pin_place(meniscus, step), side),
        words=words(meniscus, step, zone),
    )
