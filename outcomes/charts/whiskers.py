"""Points with whiskers, one a row, read from top to bottom: the drawing of estimates with their intervals."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

# Heights in pixels: what surrounds the rows, and a row.
FRAME_PX, ROW_PX, MARGIN_PX = 90, 52, 12

Trace = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Whisker:
    """An estimate with its limits, None where they are not defined; `text` is what the pointer shows."""

    row: int
    estimate: float
    lower: float | None
    upper: float | None
    text: str


def whisker_trace(points: Sequence[Whisker], *, colour: str, symbol: str, axis: str = "x") -> Trace:
    """Points with whiskers along an axis of numbers, row 0 at the top."""
    return {
        "type": "scatter",
        "mode": "markers",
        "x": [point.estimate for point in points],
        "y": [-point.row for point in points],
        "xaxis": axis,
        "text": [point.text for point in points],
        "hovertemplate": "%{text}<extra></extra>",
        "error_x": {
            "type": "data",
            "symmetric": False,
            "array": [_reach(point.estimate, point.upper) for point in points],
            "arrayminus": [_reach(point.estimate, point.lower) for point in points],
            "color": colour,
            "thickness": 1.8,
            "width": 6,
        },
        "marker": {"symbol": symbol, "size": 10, "color": colour},
        "cliponaxis": False,
    }


def _reach(estimate: float, limit: float | None) -> float:
    return 0.0 if limit is None else abs(limit - estimate)


def rows_layout(labels: Sequence[str]) -> dict[str, Any]:
    """Height and axis of rows with their names at the left; `<br>` breaks a name."""
    return {
        "showlegend": False,
        "height": FRAME_PX + ROW_PX * len(labels),
        "margin": {"l": 24, "r": 24, "t": 28, "b": 56},
        "yaxis": {
            "tickvals": [-row for row in range(len(labels))],
            "ticktext": list(labels),
            "range": [0.5 - len(labels), 0.5],
            "automargin": True,
            "showgrid": False,
        },
    }


def line_down(value: float, *, axis: str = "x", dash: str = "dashdot") -> Trace:
    """A line across all rows at a value."""
    return {
        "type": "line",
        "layer": "below",
        "xref": axis,
        "yref": "paper",
        "x0": value,
        "x1": value,
        "y0": 0,
        "y1": 1,
        "line": {"color": "var:ink", "width": 1.4, "dash": dash},
    }


def label_above(value: float, text: str, *, axis: str = "x", anchor: str = "center") -> Trace:
    """Words over the rows at a value."""
    return {
        "text": text,
        "xref": axis,
        "yref": "paper",
        "x": value,
        "y": 1,
        "xanchor": anchor,
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"size": 11, "color": "var:ink"},
    }
