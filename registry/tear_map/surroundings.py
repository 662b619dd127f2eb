"""What surrounds the menisci on the map: hints to find one's way, not measures."""

from dataclasses import dataclass

from registry.tear_map.crescents import CRESCENTS, Point, loop, said, turned
from registry.tear_map.places import Side


@dataclass(frozen=True, slots=True)
class Label:
    """A word of the drawing, centred on its point."""

    at: Point
    text: str


BONE = tuple(
    Point(x, y)
    for x, y in (
        (154, 42), (204, 46), (242, 68), (276, 66), (332, 66), (383, 100), (406, 166), (386, 234),
        (338, 269), (288, 270), (248, 254), (212, 278), (160, 291), (96, 274), (53, 228), (41, 162),
        (56, 98), (100, 56),
    )
)  # fmt: skip
# Where the anterior and the posterior cruciate ligament leave the tibia.
LIGAMENTS = (
    (Point(222, 90), Point(234, 100), Point(236, 128), Point(224, 142), Point(212, 128), Point(211, 102)),
    (Point(226, 226), Point(237, 234), Point(236, 250), Point(224, 257), Point(213, 249), Point(213, 234)),
)
LABELS = (
    Label(Point(240, 24), "Front"),
    Label(Point(170, 162), "Medial"),
    Label(Point(307, 167), "Lateral"),
)
NOTE = Label(Point(384, 298), "Popliteal hiatus")
_HIATUS_ALONG = 0.67
_TO_NOTE = Point(386, 288)


def label_at(label: Label, side: Side) -> Label:
    return Label(turned(label.at, side), label.text)


def hiatus(side: Side) -> str:
    """The popliteal tendon beside the posterolateral rim of the lateral meniscus."""
    lateral = CRESCENTS["lateral"]
    shares = ((-0.04, -0.09), (0.0, -0.24), (0.04, -0.09), (0.0, 0.06))
    return loop([lateral.at(_HIATUS_ALONG + along, across) for along, across in shares], side)


def note_line(side: Side) -> str:
    tendon = CRESCENTS["lateral"].at(_HIATUS_ALONG, -0.24)
    return f"M{said(tendon, side)}L{said(_TO_NOTE, side)}"
