"""The tear map: both menisci of one knee seen from above, in cells on which tears are placed.

Pure geometry and words, drawn by templates/registry/tear_map.html. Everything is worked out for a right knee
with its front at the top, so medial is on the left; a left knee is the mirror image. Schematic, not to scale.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from math import cos, hypot, radians, sin
from typing import Literal, NamedTuple

Side = Literal["left", "right"]
Meniscus = Literal["medial", "lateral"]
Location = Literal["anterior", "middle", "posterior", "root"]
Kind = Literal["found", "healed", "partly", "failed", "removed"]

WIDTH, HEIGHT = 440, 340
SIDES: tuple[Side, ...] = ("right", "left")
MENISCI: tuple[Meniscus, ...] = ("medial", "lateral")
STEPS = range(1, 13)
ZONES = range(1, 4)

# ISAKOS rim widths, Anderson et al. AJSM 2011;39:926-32.
RIM_WIDTHS = {1: "under 3 mm", 2: "3 to under 5 mm", 3: "5 mm or more"}

# Shares of the width at which the zones meet, from the capsule to the free edge.
_ZONE_BORDERS = (0.0, 0.34, 0.64, 1.0)
# A meniscus narrows into its roots to this share of its width.
_ROOT_SHARE = 0.62
# Numbers stand this share of the width outside the capsule, and this far from each other.
_PIN_ACROSS = -0.54
_PIN_GAP = 36.0
_PIN_MARGIN = 24.0


class Point(NamedTuple):
    """A place in the drawing; y grows downwards, towards the back of the knee."""

    x: float
    y: float

    def __str__(self) -> str:
        """As paths and transforms write it, in any language."""
        return f"{self.x:g} {self.y:g}"


@dataclass(frozen=True, slots=True)
class _Ellipse:
    centre: Point
    rx: float
    ry: float

    def at(self, angle_deg: float, outward: int) -> Point:
        """The point at an angle from the front, turning outwards (-1 to the left, 1 to the right)."""
        angle = radians(angle_deg)
        return Point(self.centre.x + outward * self.rx * sin(angle), self.centre.y - self.ry * cos(angle))


@dataclass(frozen=True, slots=True)
class _Crescent:
    """One meniscus between its capsular border and its free edge, from its anterior to its posterior root."""

    capsule: _Ellipse
    free_edge: _Ellipse
    first_deg: float
    last_deg: float
    outward: int

    def at(self, along: float, across: float) -> Point:
        """A point by shares: along from root to root, across from capsule (0) to free edge (1)."""
        angle_deg = self.first_deg + along * (self.last_deg - self.first_deg)
        outer, inner = (edge.at(angle_deg, self.outward) for edge in (self.capsule, self.free_edge))
        return Point(*(a + across * (b - a) for a, b in zip(outer, inner, strict=True)))

    def within(self, along: float, across: float) -> Point:
        """The same, with the meniscus narrowing into its roots."""
        share = 1 - (1 - _ROOT_SHARE) * abs(2 * along - 1) ** 5
        return self.at(along, 0.5 + (across - 0.5) * share)


# Common anatomical knowledge, no source: the medial meniscus is the wider C and broadest at the back; the
# lateral one is nearly a ring of even width, and its roots lie between those of the medial one.
_CRESCENTS = {
    "medial": _Crescent(
        _Ellipse(Point(162, 166), 112, 116), _Ellipse(Point(170, 156), 61, 68), -22, 197, outward=-1
    ),
    "lateral": _Crescent(
        _Ellipse(Point(308, 166), 90, 94), _Ellipse(Point(307, 166), 41, 44), -53, 232, outward=1
    ),
}


# --- what is drawn ----------------------------------------------------------------------------


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
class Mark:
    """A tear to be shown. Without a rim zone it lies across all three."""

    number: int
    meniscus: Meniscus
    step: int
    zone: int | None
    label: str
    kind: Kind

    def __post_init__(self) -> None:
        _must_be_one_of("meniscus", self.meniscus, MENISCI)
        _must_be_one_of("step", self.step, STEPS)
        _must_be_one_of("zone", self.zone, (*ZONES, None))
        _must_be_one_of("kind", self.kind, tuple(GLYPHS))


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


@dataclass(frozen=True, slots=True)
class Label:
    """A word of the drawing, centred on its point."""

    at: Point
    text: str


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
    _must_be_one_of("side", side, SIDES)
    drawn = _drawn(side, marks)
    shown = {mark.kind for mark in marks}
    return TearMap(
        side=side,
        title=f"Tear map of the {side} knee",
        description=_description(side, drawn),
        rows=rows(side),
        marks=drawn,
        key=tuple(glyph for kind, glyph in GLYPHS.items() if kind in shown),
        bone=_loop(_BONE, side),
        outlines=tuple(_outline(meniscus, side) for meniscus in MENISCI),
        thirds=tuple(_thirds(meniscus, side) for meniscus in MENISCI),
        roots=tuple(_roots(meniscus, side) for meniscus in MENISCI),
        ligaments=tuple(_loop(footprint, side) for footprint in _LIGAMENTS),
        hiatus=_hiatus(side),
        note_line=_note_line(side),
        labels=tuple(_label(label, side) for label in _LABELS),
        note=_label(_NOTE, side),
    )


def location_of(step: int) -> Location:
    """The third of the meniscus, or root, in which a step lies.

    Raises
    ------
    ValueError
        When there is no such step.
    """
    _must_be_one_of("step", step, STEPS)
    if step in (STEPS[0], STEPS[-1]):
        return "root"
    if step <= 4:
        return "anterior"
    return "middle" if step <= 8 else "posterior"


def words(meniscus: Meniscus, step: int, zone: int | None) -> str:
    """A place as it is said aloud."""
    location = location_of(step)
    third = f"{location} third"
    if location == "root":
        third = "anterior root" if step == STEPS[0] else "posterior root"
    rim = f"rim zone {zone}, {RIM_WIDTHS[zone]}" if zone else "rim zone not recorded"
    return f"{meniscus.capitalize()} meniscus, {third}, step {step} of {len(STEPS)}, {rim}"


def _must_be_one_of(name: str, value: object, allowed: Sequence[object]) -> None:
    if value not in allowed:
        choices = ", ".join(str(choice) for choice in allowed)
        raise ValueError(f"{name} is {value!r}; the tear map knows {choices}. Give one of these.")


def _description(side: Side, marks: Sequence[DrawnMark]) -> str:
    medial, lateral = ("left", "right") if side == "right" else ("right", "left")
    seen = f"Both menisci from above, front at the top, medial on the {medial}, lateral on the {lateral}."
    if not marks:
        return f"{seen} No tear is marked."
    return " ".join([seen, *(f"{mark.words}." for mark in marks)])


# --- geometry ---------------------------------------------------------------------------------


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
        path=_patch(meniscus, (step,), (zone,), side),
        centre=_turned(_centre(meniscus, step, zone), side),
        pin=_turned(_pin(meniscus, step), side),
        words=words(meniscus, step, zone),
    )


def _centre(meniscus: Meniscus, step: int, zone: int | None) -> Point:
    outer, inner = (_ZONE_BORDERS[zone - 1], _ZONE_BORDERS[zone]) if zone else (0.0, 1.0)
    return _CRESCENTS[meniscus].within(_middle(step), (outer + inner) / 2)


def _pin(meniscus: Meniscus, step: int) -> Point:
    return _CRESCENTS[meniscus].at(_middle(step), _PIN_ACROSS)


def _middle(step: int) -> float:
    return (step - 0.5) / len(STEPS)


def _outline(meniscus: Meniscus, side: Side) -> str:
    return _patch(meniscus, STEPS, ZONES, side)


def _thirds(meniscus: Meniscus, side: Side) -> str:
    """Lines across a meniscus wherever one third, or root, meets the next."""
    meetings = [step for step in STEPS[:-1] if location_of(step) != location_of(step + 1)]
    ends = [[_CRESCENTS[meniscus].within(step / len(STEPS), share) for share in (0, 1)] for step in meetings]
    return "".join(f"M{_said(outer, side)}L{_said(inner, side)}" for outer, inner in ends)


def _roots(meniscus: Meniscus, side: Side) -> str:
    """Strands from both ends of a meniscus into the bone."""
    crescent = _CRESCENTS[meniscus]
    strands = [
        (crescent.within(end, share), crescent.within(end + beyond, share))
        for end, beyond in ((0, -0.035), (1, 0.035))
        for share in (0.08, 0.36, 0.64, 0.92)
    ]
    return "".join(f"M{_said(start, side)}L{_said(end, side)}" for start, end in strands)


def _patch(meniscus: Meniscus, steps: Sequence[int], zones: Sequence[int], side: Side) -> str:
    """Closed path around neighbouring cells, through their very corners, so that patches meet exactly.

    Each edge along a step is one quadratic curve.
    """
    borders = _ZONE_BORDERS[zones[0] - 1 : zones[-1] + 1]
    there = [_edge(meniscus, step - 1, step, borders[0]) for step in steps]
    back = [_edge(meniscus, step, step - 1, borders[-1]) for step in reversed(steps)]
    inwards = _across(meniscus, steps[-1], borders[1:], side)
    outwards = _across(meniscus, steps[0] - 1, borders[-2:0:-1], side)
    return f"M{_said(there[0][0], side)}{_curves(there, side)}{inwards}{_curves(back, side)}{outwards}Z"


def _across(meniscus: Meniscus, end: int, borders: Sequence[float], side: Side) -> str:
    corners = [_CRESCENTS[meniscus].within(end / len(STEPS), border) for border in borders]
    return "".join(f"L{_said(corner, side)}" for corner in corners)


def _edge(meniscus: Meniscus, start: int, end: int, across: float) -> tuple[Point, Point, Point]:
    """Start, control point and end of the quadratic curve through the middle of an edge."""
    places = (start, (start + end) / 2, end)
    a, middle, b = (_CRESCENTS[meniscus].within(place / len(STEPS), across) for place in places)
    return a, Point(2 * middle.x - (a.x + b.x) / 2, 2 * middle.y - (a.y + b.y) / 2), b


def _curves(edges: Sequence[tuple[Point, Point, Point]], side: Side) -> str:
    return "".join(f"Q{_said(control, side)} {_said(end, side)}" for _, control, end in edges)


def _turned(point: Point, side: Side) -> Point:
    """The point as drawn for that knee, to a tenth."""
    x = round(point.x, 1)
    return Point(x if side == "right" else round(WIDTH - x, 1), round(point.y, 1))


def _said(point: Point, side: Side) -> str:
    return str(_turned(point, side))


# --- marks ------------------------------------------------------------------------------------


def _drawn(side: Side, marks: Sequence[Mark]) -> tuple[DrawnMark, ...]:
    pins = _kept_apart(_fanned_out(marks))
    return tuple(_drawn_mark(mark, pin, side) for mark, pin in zip(marks, pins, strict=True))


def _drawn_mark(mark: Mark, pin: Point, side: Side) -> DrawnMark:
    glyph = GLYPHS[mark.kind]
    zones = (mark.zone,) if mark.zone else ZONES
    place = words(mark.meniscus, mark.step, mark.zone)
    return DrawnMark(
        number=mark.number,
        glyph=glyph,
        extent=_patch(mark.meniscus, (mark.step,), zones, side),
        centre=_turned(_centre(mark.meniscus, mark.step, mark.zone), side),
        pin=_turned(pin, side),
        words=f"{mark.number}, {mark.label}: {place}; {glyph.words.lower()}",
    )


def _fanned_out(marks: Sequence[Mark]) -> list[Point]:
    """Where each number would stand: those of one step side by side along the capsule."""
    sharing: dict[tuple[str, int], list[int]] = defaultdict(list)
    for place, mark in enumerate(marks):
        sharing[mark.meniscus, mark.step].append(place)
    pins = {}
    for (_, step), places in sharing.items():
        meniscus = marks[places[0]].meniscus
        start, end = (_CRESCENTS[meniscus].at((step - share) / len(STEPS), _PIN_ACROSS) for share in (1, 0))
        length = hypot(end.x - start.x, end.y - start.y)
        middle = _pin(meniscus, step)
        for rank, place in enumerate(places):
            shift = (rank - (len(places) - 1) / 2) * _PIN_GAP / length
            pins[place] = Point(middle.x + shift * (end.x - start.x), middle.y + shift * (end.y - start.y))
    return [pins[place] for place in range(len(marks))]


def _kept_apart(pins: list[Point]) -> list[Point]:
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


# --- surroundings: hints to find one's way, not measures ---------------------------------------

_BONE = tuple(
    Point(x, y)
    for x, y in (
        (154, 42), (204, 46), (242, 68), (276, 66), (332, 66), (383, 100), (406, 166), (386, 234),
        (338, 269), (288, 270), (248, 254), (212, 278), (160, 291), (96, 274), (53, 228), (41, 162),
        (56, 98), (100, 56),
    )
)  # fmt: skip
# Where the anterior and the posterior cruciate ligament leave the tibia.
_LIGAMENTS = (
    (Point(222, 90), Point(234, 100), Point(236, 128), Point(224, 142), Point(212, 128), Point(211, 102)),
    (Point(226, 226), Point(237, 234), Point(236, 250), Point(224, 257), Point(213, 249), Point(213, 234)),
)
_LABELS = (
    Label(Point(240, 24), "Front"),
    Label(Point(170, 162), "Medial"),
    Label(Point(307, 167), "Lateral"),
)
_NOTE = Label(Point(384, 298), "Popliteal hiatus")
_HIATUS_ALONG = 0.67
_TO_NOTE = Point(386, 288)


def _label(label: Label, side: Side) -> Label:
    return Label(_turned(label.at, side), label.text)


def _hiatus(side: Side) -> str:
    """The popliteal tendon beside the posterolateral rim of the lateral meniscus."""
    lateral = _CRESCENTS["lateral"]
    shares = ((-0.04, -0.09), (0.0, -0.24), (0.04, -0.09), (0.0, 0.06))
    return _loop([lateral.at(_HIATUS_ALONG + along, across) for along, across in shares], side)


def _note_line(side: Side) -> str:
    tendon = _CRESCENTS["lateral"].at(_HIATUS_ALONG, -0.24)
    return f"M{_said(tendon, side)}L{_said(_TO_NOTE, side)}"


def _loop(points: Sequence[Point], side: Side) -> str:
    """Closed smooth path through the points (Catmull-Rom)."""
    count = len(points)
    path = f"M{_said(points[0], side)}"
    for place, start in enumerate(points):
        before, end, after = points[place - 1], points[(place + 1) % count], points[(place + 2) % count]
        leaving = Point(start.x + (end.x - before.x) / 6, start.y + (end.y - before.y) / 6)
        arriving = Point(end.x - (after.x - start.x) / 6, end.y - (after.y - start.y) / 6)
        path += f"C{_said(leaving, side)} {_said(arriving, side)} {_said(end, side)}"
    return f"{path}Z"
