"""Both menisci as crescents, and the paths of their cells.

Everything is worked out for a right knee with its front at the top, so medial is on the left; a left knee is
the mirror image. Schematic, not to scale.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, radians, sin
from typing import NamedTuple

from registry.tear_map.places import STEPS, ZONES, Meniscus, Side, location_of

WIDTH, HEIGHT = 440, 340
# Shares of the width at which the zones meet, from the capsule to the free edge.
ZONE_BORDERS = (0.0, 0.34, 0.64, 1.0)
# A meniscus narrows into its roots to this share of its width.
_ROOT_SHARE = 0.62
# Numbers stand this share of the width outside the capsule, and this far from each other.
PIN_ACROSS = -0.54


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
CRESCENTS = {
    "medial": _Crescent(
        _Ellipse(Point(162, 166), 112, 116), _Ellipse(Point(170, 156), 61, 68), -22, 197, outward=-1
    ),
    "lateral": _Crescent(
        _Ellipse(Point(308, 166), 90, 94), _Ellipse(Point(307, 166), 41, 44), -53, 232, outward=1
    ),
}


def centre(meniscus: Meniscus, step: int, zone: int | None) -> Point:
    outer, inner = (ZONE_BORDERS[zone - 1], ZONE_BORDERS[zone]) if zone else (0.0, 1.0)
    return CRESCENTS[meniscus].within(middle(step), (outer + inner) / 2)


def pin_place(meniscus: Meniscus, step: int) -> Point:
    return CRESCENTS[meniscus].at(middle(step), PIN_ACROSS)


def middle(step: int) -> float:
    return (step - 0.5) / len(STEPS)


def outline(meniscus: Meniscus, side: Side) -> str:
    return patch(meniscus, STEPS, ZONES, side)


def thirds(meniscus: Meniscus, side: Side) -> str:
    """Lines across a meniscus wherever one third, or root, meets the next."""
    meetings = [step for step in STEPS[:-1] if location_of(step) != location_of(step + 1)]
    ends = [[CRESCENTS[meniscus].within(step / len(STEPS), share) for share in (0, 1)] for step in meetings]
    return "".join(f"M{said(outer, side)}L{said(inner, side)}" for outer, inner in ends)


def roots(meniscus: Meniscus, side: Side) -> str:
    """Strands from both ends of a meniscus into the bone."""
    crescent = CRESCENTS[meniscus]
    strands = [
        (crescent.within(end, share), crescent.within(end + beyond, share))
        for end, beyond in ((0, -0.035), (1, 0.035))
        for share in (0.08, 0.36, 0.64, 0.92)
    ]
    return "".join(f"M{said(start, side)}L{said(end, side)}" for start, end in strands)


def patch(meniscus: Meniscus, steps: Sequence[int], zones: Sequence[int], side: Side) -> str:
    """Closed path around neighbouring cells, through their very corners, so that patches meet exactly.

    Each edge along a step is one quadratic curve.
    """
    borders = ZONE_BORDERS[zones[0] - 1 : zones[-1] + 1]
    there = [_edge(meniscus, step - 1, step, borders[0]) for step in steps]
    back = [_edge(meniscus, step, step - 1, borders[-1]) for step in reversed(steps)]
    inwards = _across(meniscus, steps[-1], borders[1:], side)
    outwards = _across(meniscus, steps[0] - 1, borders[-2:0:-1], side)
    return f"M{said(there[0][0], side)}{_curves(there, side)}{inwards}{_curves(back, side)}{outwards}Z"


def _across(meniscus: Meniscus, end: int, borders: Sequence[float], side: Side) -> str:
    corners = [CRESCENTS[meniscus].within(end / len(STEPS), border) for border in borders]
    return "".join(f"L{said(corner, side)}" for corner in corners)


def _edge(meniscus: Meniscus, start: int, end: int, across: float) -> tuple[Point, Point, Point]:
    """Start, control point and end of the quadratic curve through the middle of an edge."""
    places = (start, (start + end) / 2, end)
    a, middle, b = (CRESCENTS[meniscus].within(place / len(STEPS), across) for place in places)
    return a, Point(2 * middle.x - (a.x + b.x) / 2, 2 * middle.y - (a.y + b.y) / 2), b


def _curves(edges: Sequence[tuple[Point, Point, Point]], side: Side) -> str:
    return "".join(f"Q{said(control, side)} {said(end, side)}" for _, control, end in edges)


def turned(point: Point, side: Side) -> Point:
    """The point as drawn for that knee, to a tenth."""
    x = round(point.x, 1)
    return Point(x if side == "right" else round(WIDTH - x, 1), round(point.y, 1))


def said(point: Point, side: Side) -> str:
    return str(turned(point, side))


def loop(points: Sequence[Point], side: Side) -> str:
    """Closed smooth path through the points (Catmull-Rom)."""
    count = len(points)
    path = f"M{said(points[0], side)}"
    for place, start in enumerate(points):
        before, end, after = points[place - 1], points[(place + 1) % count], points[(place + 2) % count]
        leaving = Point(start.x + (end.x - before.x) / 6, start.y + (end.y - before.y) / 6)
        arriving = Point(end.x - (after.x - start.x) / 6, end.y - (after.y - start.y) / 6)
        path += f"C{said(leaving, side)} {said(arriving, side)} {said(end, side)}"
    return f"{path}Z"
