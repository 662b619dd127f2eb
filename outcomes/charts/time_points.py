"""The drawing of numbers over planned time points, evenly spaced: points with whiskers, and a threshold."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

PLOT_PX, MARGIN_PX = 380, 12
# Room at both ends of an axis, as a share of what it spans.
ROOM = 0.05

Trace = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Whiskered:
    """A number at a time point (its place on the axis) with its limits."""

    place: int
    estimate: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Line:
    """A threshold drawn across, with its label."""

    value: float
    label: str


def time_points_plot(
    points: Sequence[Whiskered],
    ticks: Sequence[str],
    axis: dict[str, Any],
    line: Line | None = None,
    thin: Sequence[Sequence[float | None]] = (),
) -> dict[str, Any]:
    """Data and layouts; nothing where no point is shown.

    Parameters
    ----------
    points : what is drawn
    ticks : a label for every place on the axis of time points
    axis : the layout of the other axis
    line : a threshold, if there is one
    thin : single courses drawn behind, a value a place, None where there is none
    """
    if not points:
        return {}
    layout = {
        "showlegend": False,
        "height": PLOT_PX,
        "margin": {"l": 64, "r": 24, "t": MARGIN_PX, "b": 72},
        "xaxis": {
            "title": {"text": "Planned time point, evenly spaced; below it the knees counted", "standoff": 6},
            "tickvals": list(range(len(ticks))),
            "ticktext": list(ticks),
            "range": [-0.4, len(ticks) - 0.6],
            "showgrid": False,
        },
        "yaxis": axis,
        **(_drawn_across(line) if line else {}),
    }
    narrow = {
        "margin": {"l": 52, "r": 8},
        "font": {"size": 11},
        "xaxis": {"title": {"text": "Time point; knees counted"}, "tickangle": 0},
    }
    traces = [_thin(thin)] if thin else []
    return {"data": [*traces, _points(points)], "layout": layout, "layout_narrow": narrow}


def span(values: Sequence[float], least: float) -> list[float]:
    """An axis that holds 0 and every value, never so short that something small looks large."""
    low, high = min((0.0, *values)), max((0.0, *values))
    high = max(high, low + least)
    room = ROOM * (high - low)
    return [round(low - room, 2), round(high + room, 2)]


def _points(points: Sequence[Whiskered]) -> Trace:
    return {
        "type": "scatter",
        "mode": "lines+markers",
        "x": [point.place for point in points],
        "y": [point.estimate for point in points],
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": [point.upper - point.estimate for point in points],
            "arrayminus": [point.estimate - point.lower for point in points],
            "color": "var:series-1",
            "thickness": 1.6,
            "width": 6,
        },
        "line": {"color": "var:series-1", "width": 2.2},
        "marker": {"symbol": "circle", "size": 9, "color": "var:series-1"},
        "cliponaxis": False,
        "hoverinfo": "y",
    }


def _thin(courses: Sequence[Sequence[float | None]]) -> Trace:
    """All courses as one trace, broken between them."""
    x: list[int | None] = []
    y: list[float | None] = []
    for course in courses:
        known = [(place, value) for place, value in enumerate(course) if value is not None]
        x += [*(place for place, _ in known), None]
        y += [*(round(value, 2) for _, value in known), None]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": x,
        "y": y,
        "line": {"color": "var:ink-soft", "width": 1},
        "opacity": 0.3,
        "hoverinfo": "skip",
    }


def _drawn_across(line: Line) -> dict[str, Any]:
    across = {
        "type": "line",
        "layer": "below",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "y0": line.value,
        "y1": line.value,
        "line": {"color": "var:ink", "width": 1.4, "dash": "dashdot"},
    }
    label = {
        "text": line.label,
        "xref": "paper",
        "x": 0,
        "xanchor": "left",
        "y": line.value,
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"size": 11, "color": "var:ink"},
    }
    return {"shapes": [across], "annotations": [label]}
