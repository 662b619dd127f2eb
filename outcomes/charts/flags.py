"""Interventions on an axis of months: a vertical line of its own style each, its label beside its top."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from outcomes.charts.score_answers import Intervention

STYLES = {Intervention.OPERATION: "solid", Intervention.SECOND_LOOK: "dot", Intervention.REOPERATION: "dash"}

# Height in pixels of one row of labels, for lines close together; width of a letter, and of what keeps apart.
ROW_PX, LETTER_PX, LABEL_GAP_PX = 18, 6.5, 8


@dataclass(frozen=True, slots=True)
class Flag:
    """A vertical line with its label; a higher row keeps the label off another one."""

    month: float
    what: Intervention
    row: int
    to_the_left: bool

    def line(self, x: str, foot: float, height_px: int) -> dict[str, Any]:
        """From `foot` (share of a plot so many pixels high) up to the label, on the axis of months `x`."""
        return {
            "type": "line",
            "layer": "below",
            "xref": x,
            "x0": self.month,
            "x1": self.month,
            "yref": "paper",
            "y0": foot,
            "y1": 1 + ROW_PX * (self.row + 0.9) / height_px,
            "line": {"color": "var:ink-soft", "width": 1.2, "dash": STYLES[self.what]},
        }

    def label(self, x: str, height_px: int) -> dict[str, Any]:
        return {
            "text": str(self.what),
            "xref": x,
            "x": self.month,
            "xanchor": "right" if self.to_the_left else "left",
            "xshift": -3 if self.to_the_left else 3,
            "yref": "paper",
            "y": 1 + ROW_PX * self.row / height_px,
            "yanchor": "bottom",
            "showarrow": False,
            # Another line may pass behind the label.
            "bgcolor": "var:surface",
            "font": {"size": 11, "color": "var:ink"},
        }


def placed(
    marks: Sequence[tuple[float, Intervention]], axis: tuple[float, float], width_px: float
) -> list[Flag]:
    """Give each label the lowest row where it has room, on an axis so many pixels wide."""
    taken: list[tuple[int, float, float]] = []
    flags = []
    for month, what in reversed(marks):
        place = (month - axis[0]) / (axis[1] - axis[0]) * width_px
        length = LABEL_GAP_PX + LETTER_PX * len(what)
        to_the_left = place + length > width_px
        left, right = (place - length, place) if to_the_left else (place, place + length)
        occupied = {row for row, begin, end in taken if begin < right and left < end}
        row = next(row for row in range(len(marks)) if row not in occupied)
        taken.append((row, left, right))
        flags.append(Flag(month, what, row, to_the_left))
    return flags
