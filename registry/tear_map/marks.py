"""Tears marked on the map, each with its number outside the capsule, kept apart from the others."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import hypot
from typing import Literal

from registry.tear_map.crescents import (
    CRESCENTS,
    HEIGHT,
    PIN_ACROSS,
    WIDTH,
    Point,
    centre,
    patch,
    pin_place,
    turned,
)
from registry.tear_map.places import MENISCI, STEPS, ZONES, Meniscus, Side, must_be_one_of, words

Kind = Literal["found", "healed", "partly", "failed", "removed"]
_PIN_GAP = 36.0
_PIN_MARGIN = 24.0


@dataclass(frozen=True, slots=True)
class Mark:
    """A tear to be shown. Without a rim zone it lies across all three."""

    number: int
    meniscus: Meniscus
    step: int
    zone: int | None
    label: str
    kind: Kind

    def __post_init__(self) -> None:
        must_be_one_of("meniscus", self.meniscus, MENISCI)
        must_be_one_of("step", self.step, STEPS)
        must_be_one_of("zone", self.zone, (*ZONES, None))
        must_be_one_of("kind", self.kind, tuple(GLYPHS))


@dataclass(frozen=True, slots=True)
class Glyph:
    """How one kind of mark is drawn, around the origin. Shape, fill and line tell kinds apart, not colour."""

    kind: Kind
    words: str
    outline: str
    stroke: str = ""


_DISC = "M-12 0A12 12 0 1 1 12 0A12 12 0 1 1-12 0Z"
GLYPHS: dict[Kind, Glyph] = {
    glyph.kind: glyph
    for glyph in (
        Glyph("found", "Tear found", _DISC),
        Glyph("healed", "Healed", _DISC),
        Glyph("partly", "Partly healed", _DISC, "M0-12A12 12 0 0 0 0 12"),
        Glyph("failed", "Not healed", "M0-16L16 0L0 16L-16 0Z"),
        Glyph("removed", "Removed", "M-12-12H12V12H-12Z"),
    )
}


@dataclass(frozen=True, slots=True)
class DrawnMark:
    """A mark with its outline on the map, and its number outside the capsule at the end of a line."""

    number: int
    glyph: Glyph
    extent: str
    centre: Point
    pin: Point
    words: str


def drawn(side: Side, marks: Sequence[Mark]) -> tuple[DrawnMark, ...]:
    pins = kept_apart(fanned_out(marks))
    return tuple(_drawn_mark(mark, pin, side) for mark, pin in zip(marks, pins, strict=True))


def _drawn_mark(mark: Mark, pin: Point, side: Side) -> DrawnMark:
    glyph = GLYPHS[mark.kind]
    zones = (mark.zone,) if mark.zone else ZONES
    place = words(mark.meniscus, mark.step, mark.zone)
    return DrawnMark(
        number=mark.number,
        glyph=glyph,
        extent=patch(mark.meniscus, (mark.step,), zones, side),
        centre=turned(centre(mark.meniscus, mark.step, mark.zone), side),
        pin=turned(pin, side),
        words=f"{mark.number}, {mark.label}: {place}; {glyph.words.lower()}",
    )


def fanned_out(marks: Sequence[Mark]) -> list[Point]:
    """Where each number would stand: those of one step side by side along the capsule."""
    sharing: dict[tuple[str, int], list[int]] = defaultdict(list)
    for place, mark in enumerate(marks):
        sharing[mark.meniscus, mark.step].append(place)
    pins = {}
    for (_, step), places in sharing.items():
        meniscus = marks[places[0]].meniscus
        start, end = (CRESCENTS[meniscus].at((step - share) / len(STEPS), PIN_ACROSS) for share in (1, 0))
        length = hypot(end.x - start.x, end.y - start.y)
        middle = pin_place(meniscus, step)
        for rank, place in enumerate(places):
            shift = (rank - (len(places) - 1) / 2) * _PIN_GAP / length
            pins[place] = Point(middle.x + shift * (end.x - start.x), middle.y + shift * (end.y - start.y))
    return [pins[place] for place in range(len(marks))]


def kept_apart(pins: list[Point]) -> list[Point]:
    """Numbers pushed from each other until none touches another, within the drawing."""
    pins = [_inside(pin) for pin in pins]
    for _ in range(200):
        moved = False
        for a, b in combinations(range(len(pins)), 2):
            apart = hypot(pins[b].x - pins[a].x, pins[b].y - pins[a].y)
            if apart < _PIN_GAP - 0.5:
                pins[a], pins[b] = _pushed(pins[a], pins[b], apart)
                moved = True
        if not moved:
            break
    return pins


def _pushed(a: Point, b: Point, apart: float) -> tuple[Point, Point]:
    push = (_PIN_GAP - apart) / 2
    dx, dy = ((b.x - a.x) / apart, (b.y - a.y) / apart) if apart else (0.6, 0.8)
    return (
        _inside(Point(a.x - push * dx, a.y - push * dy)),
        _inside(Point(b.x + push * dx, b.y + push * dy)),
    )


def _inside(point: Point) -> Point:
    return Point(
        min(max(point.x, _PIN_MARGIN), WIDTH - _PIN_MARGIN),
        min(max(point.y, _PIN_MARGIN), HEIGHT - _PIN_MARGIN),
    )
